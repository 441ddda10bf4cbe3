"""The rules of the house that a program can check: layers, names, sizes, sources, no skips."""

import ast
import json
import re
import tomllib
from collections.abc import Iterator

import pytest

from aggregator import BusReport, PackReport, Request, __version__
from aggregator.fields import ROW_FIELDS, VIEW_FIELDS
from aggregator.plain import BANK_KEYS, PACK_KEYS, STAGE_KEYS
from tests.sources import CODE, ROOT, files, functions, texts, tree

# ---- Layers: where a file lies (the first row that fits), and what of ours it may import.
RECORDS = "aggregator.report aggregator.settings aggregator.requests aggregator.view"
LAYERS = (
    ("aggregator/", ""),  # itself, relatively; see test_core_subset.py
    ("conformance/oracle", RECORDS + " aggregator.errors conformance.oracle"),  # a second opinion
    ("conformance/", "aggregator conformance"),
    ("adapters/cli/", "aggregator adapters conformance"),  # composes all
    ("adapters/gateway", "aggregator adapters"),  # composes the adapters
    ("adapters/", "aggregator"),  # each by itself, and what lies in adapters/ itself
)
PRODUCT = files("aggregator", "adapters", "conformance")


def imported(path: str) -> Iterator[str]:
    """Yield the modules of ours that a file imports, by their full names."""
    for node in ast.walk(tree(path)):
        if isinstance(node, ast.Import):
            yield from (alias.name for alias in node.names)
        elif isinstance(node, ast.ImportFrom) and node.level == 0:
            module = str(node.module)
            for alias in node.names:
                inner = module.replace(".", "/") + "/" + alias.name
                is_module = (ROOT / f"{inner}.py").exists() or (ROOT / inner).is_dir()
                yield f"{module}.{alias.name}" if is_module else module


def allowed(path: str, module: str) -> bool:
    """May this file import this module?"""
    if module.split(".")[0] not in CODE:
        return True  # not ours
    if path.startswith("adapters/") and path.count("/") > 1:
        folder = path.rsplit("/", 1)[0].replace("/", ".")
        if module == folder or module.startswith(folder + "."):
            return True  # an adapter of several files
    in_adapters = path.startswith("adapters/") and module.startswith("adapters.")
    if (
        in_adapters
        and module.count(".") == 1
        and (ROOT / f"{module.replace('.', '/')}.py").exists()
    ):
        return True  # a file of adapters/ itself is every adapter's
    may = next(may for start, may in LAYERS if path.startswith(start))
    return any(module == one or module.startswith(one + ".") for one in may.split())


@pytest.mark.parametrize("path", PRODUCT)
def test_imports_follow_the_layers(path: str) -> None:
    """A file imports only what its layer may."""
    assert not [module for module in imported(path) if not allowed(path, module)]


@pytest.mark.parametrize(
    ("path", "module"),
    [
        ("aggregator/merge.py", "adapters.log"),
        ("conformance/oracle.py", "aggregator.limits"),
        ("conformance/day.py", "adapters.log"),
        ("adapters/modbus.py", "adapters.mqtt"),
        ("adapters/modbus.py", "conformance.device"),
        ("adapters/gateway.py", "conformance.device"),
        ("adapters/log.py", "tests.sources"),
    ],
)
def test_layers_forbid(path: str, module: str) -> None:
    """The table says no where it should."""
    assert not allowed(path, module)


# ---- Names: the unit comes last.
UNIT_LAST = re.compile(r"_(mv|ma|mah|uohm|w|ms|permille|decic|no)(_per_s)?$")
WITHOUT_UNIT = """
    pack sample cell_count balancing warnings protections kind value source field packs stages
    own_packs recovery_samples assumed_resistance_ratio absorption_mode adjustable partial stage
    stage_ends role may_speak rejected last_refusal presence why_ignored cell_min_pack cell_max_pack
    temperature_min_pack temperature_max_pack charge_allowed discharge_allowed charge_path_closed
    discharge_path_closed opens_path_on_refusal charge_temperature_curve
    discharge_temperature_curve charge_cell_curve discharge_cell_curve local_refusal_stops_bank
    charge_sharing discharge_sharing charger_limits survive_pack_loss charge_voltage_rule
    charge_voltage_pack discharge_voltage_rule discharge_voltage_pack charge_current_rule
    charge_current_pack discharge_current_rule discharge_current_pack
"""


def fields() -> set[str]:
    """Every field of every public record."""
    slots = [*PackReport.__slots__, *BusReport.__slots__, *Request.__slots__]
    return {*slots, *VIEW_FIELDS, *ROW_FIELDS, *PACK_KEYS, *STAGE_KEYS, *BANK_KEYS}


def test_every_field_ends_in_its_unit() -> None:
    """A field's name ends in a registered unit, or it is known to have none."""
    without = {name for name in fields() if not UNIT_LAST.search(name)}
    assert without == set(WITHOUT_UNIT.split())


# ---- Sizes: what does not fit one screen has to say why.
FILE_LINES = 300
FUNCTION_LINES = 50
TABLE = "a table of fields, each with its documentation"
LARGE = {
    "aggregator/settings.py BankSettings.__init__": "names every setting once",
    "aggregator/report.py PackReport.__init__": "names every field once",
    "aggregator/view.py SystemView.__init__": "names every field once",
    "aggregator/direction.py Direction.__init__": "names every column once",
    "conformance/plant/scenario.py demo": "a scenario is one literal",
    "tests/pages.py": "every reference page, one function each",
}


def sizes() -> Iterator[str]:
    """Yield the places that are too large."""
    for path in files(*CODE):
        if len((ROOT / path).read_text(encoding="utf-8").splitlines()) > FILE_LINES:
            yield path
        for name, node in functions(path):
            if (node.end_lineno or 0) - node.lineno >= FUNCTION_LINES:
                yield f"{path} {name}"


def test_what_is_large_says_why() -> None:
    """Files of up to 300 lines and functions of up to 50, or a reason; no reason without need."""
    assert set(sizes()) == set(LARGE)


# ---- Sources: every check value has one, and each is used.
def cited() -> dict[str, list[str]]:
    """The sources that tests name in their markers, and where."""
    found: dict[str, list[str]] = {}
    for path in files("tests"):
        for node in ast.walk(tree(path)):
            match node:
                case ast.Call(
                    func=ast.Attribute(attr="source"), args=[ast.Constant(value=str(name)), *_]
                ):
                    found.setdefault(name, []).append(path)
    return found


def listed() -> list[str]:
    """The ids in the first column of docs/sources.md."""
    page = (ROOT / "docs" / "sources.md").read_text(encoding="utf-8")
    return re.findall(r"^\| `?([A-Z][A-Z0-9-]+)`? \|", page, re.MULTILINE)


def test_every_cited_source_is_listed() -> None:
    """The ids in tests' markers are rows of docs/sources.md."""
    assert cited()
    assert not {name: where for name, where in cited().items() if name not in listed()}


def test_every_listed_source_is_used() -> None:
    """Each id of docs/sources.md is named by a test, a docstring or another page, and stands once."""
    everything = "\n".join(text for place, text in texts() if place != "docs/sources.md")
    assert not [name for name in listed() if not re.search(rf"\b{name}\b", everything)]
    assert len(listed()) == len(set(listed()))


def test_every_reference_test_has_a_source() -> None:
    """A check against something published says against what."""
    for path in files("tests/reference"):
        for name, node in functions(path):
            if name.startswith("test_") and "." not in name:
                marks = [ast.unparse(mark) for mark in node.decorator_list]
                assert any(mark.startswith("pytest.mark.source(") for mark in marks), (path, name)


def test_pages_that_code_points_to_exist() -> None:
    """A docs/ page named in code or in another page is there."""
    for place, text in texts():
        for page in re.findall(r"\bdocs/[\w/-]+\.md", text):
            assert (ROOT / page).exists(), f"{place} names {page}"


# ---- The repository.
OURS = {"README.md", "DEVELOPERS.md", "pyproject.toml", "LICENSE", *CODE, "docs"}
MADE = {"build", "dist", "mutants", "node_modules", "uv.lock", "packyoke.egg-info", "__pycache__"}
# Written in two parts, so that this file does not find itself.
FORBIDDEN = [
    (r"(?<![\w.-])/(work|farm|root|home|tm" + r"p)/", "a path of one machine"),
    (r"https?://[\w.]*(py" + r"pi|np" + r"mjs|deb" + r"ian)\b", "a registry's host"),
]


def test_top_level_is_short() -> None:
    """Nothing stands at the top level that nobody expects there."""
    found = {path.name for path in ROOT.iterdir() if not path.name.startswith(".")}
    assert found - MADE == OURS


def test_no_text_tells_of_one_machine() -> None:
    """No machine paths and no registry hosts in the tree."""
    for place, text in texts():
        for pattern, what in FORBIDDEN:
            hit = re.search(pattern, text)
            assert hit is None, f"{place}: {what}: {hit[0] if hit else ''}"


def test_no_test_is_skipped() -> None:
    """Nothing skips and nothing is expected to fail: a missing tool is a failure."""
    words = {"skip", "skipif", "xfail", "importorskip", "skipTest"}
    for path in files("tests"):
        for node in ast.walk(tree(path)):
            if isinstance(node, ast.Attribute) and node.attr in words:
                raise AssertionError(f"{path}:{node.lineno}: {node.attr}")


def test_a_stop_is_never_swallowed() -> None:
    """`asyncio.wait_for` loses a cancellation that comes just as what it waits for is done, up to
    Python 3.11 (its documentation, "Changed in version 3.12"): `asyncio.timeout` does not."""
    for path in files("adapters", "conformance"):
        for node in ast.walk(tree(path)):
            named = isinstance(node, ast.Attribute) and node.attr == "wait_for"
            assert not named, f"{path}:{getattr(node, 'lineno', 0)}: asyncio.wait_for"


def test_dependencies_have_lower_bounds_only() -> None:
    """An upper bound would break somebody's environment for nothing."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = project["optional-dependencies"].values()
    for requirement in [*project["dependencies"], *(one for extra in extras for one in extra)]:
        bare = requirement.split(";")[0].strip()
        assert bare.startswith("packyoke[") or re.fullmatch(r"[\w.-]+>=[\d.]+", bare), requirement


def test_packages_are_typed() -> None:
    """Type checkers may use our annotations."""
    for folder in CODE[:3]:
        assert (ROOT / folder / "py.typed").exists()


def test_mip_manifest_lists_the_core() -> None:
    """aggregator/package.json installs every core file, and tells the same version."""
    path = ROOT / "aggregator" / "package.json"
    names = [file.removeprefix("aggregator/") for file in files("aggregator")]
    expected = {
        "urls": [[f"aggregator/{name}", name] for name in names],
        "deps": [],
        "version": __version__,
    }
    text = json.dumps(expected, indent=1) + "\n"
    assert path.read_text(encoding="utf-8") == text, f"write this to {path.name}:\n{text}"
