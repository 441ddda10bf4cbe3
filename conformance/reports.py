"""Verdicts for machines: JSON, JUnit XML, Markdown. The console's words are the command line's."""

import hashlib
import re
from collections.abc import Sequence
from xml.etree import ElementTree

from conformance.judge import ERROR, MISSED, PASS, SKIP, VERDICTS, Identity, Verdict, counted
from conformance.requirements import BY_ID
from conformance.vectors import FOLDER, KIT, VERSION, Plain

MUST_MISSED, SHOULD_MISSED = MISSED["must"], MISSED["should"]


def conformant(verdicts: Sequence[Verdict], strict: bool = False) -> bool:
    """No MUST missed and nothing left unjudged; `strict`: no SHOULD missed either."""
    bad = {MUST_MISSED, ERROR, SHOULD_MISSED} if strict else {MUST_MISSED, ERROR}
    return not any(verdict.verdict in bad for verdict in verdicts)


def safe(verdicts: Sequence[Verdict]) -> bool:
    """Was every MUST that keeps the packs safe judged, and met?"""
    return not any(v.case.aim == "safety" and v.verdict in (MUST_MISSED, ERROR) for v in verdicts)


def case_plain(verdict: Verdict) -> Plain:
    """Return one verdict as plain values."""
    case = verdict.case
    return {
        "id": case.id,
        "title": case.title,
        "area": case.area,
        "level": case.level,
        "aim": case.aim,
        "requirements": list(case.requirements),
        "verdict": verdict.verdict,
        "detail": verdict.detail,
        "sent": verdict.sent,
        "came": verdict.came,
        "catches": case.catches,
        "harm": case.harm,
    }


def summary(target: str, identity: Identity | None, verdicts: Sequence[Verdict]) -> Plain:
    """Return what was judged, with which vectors, and what came of it."""
    index = (FOLDER / VERSION / "index.json").read_bytes()
    return {
        "kit": KIT,
        "vectors": VERSION,
        "vectors_sha256": hashlib.sha256(index).hexdigest(),
        "target": target,
        "name": identity.name if identity else None,
        "version": identity.version if identity else None,
        "supports": list(identity.supports) if identity else [],
        "conformant": conformant(verdicts),
        "safe": safe(verdicts),
        "counts": counted(verdicts),
    }


def as_json(target: str, identity: Identity | None, verdicts: Sequence[Verdict]) -> Plain:
    """Return the whole report as one plain object."""
    told = summary(target, identity, verdicts)
    return {**told, "cases": [case_plain(verdict) for verdict in verdicts]}


def as_junit(target: str, verdicts: Sequence[Verdict]) -> str:
    """Return JUnit XML: a suite for each area. A missed SHOULD or MAY passes, with a note."""
    root = ElementTree.Element("testsuites", name=_xml(f"packyoke judge {target}"))
    for area in dict.fromkeys(verdict.case.area for verdict in verdicts):
        of_area = [verdict for verdict in verdicts if verdict.case.area == area]
        counts = counted(of_area)
        suite = ElementTree.SubElement(
            root,
            "testsuite",
            name=area,
            tests=str(len(of_area)),
            failures=str(counts[MUST_MISSED]),
            errors=str(counts[ERROR]),
            skipped=str(counts[SKIP]),
        )
        for verdict in of_area:
            _junit_case(suite, verdict)
    ElementTree.indent(root)
    return ElementTree.tostring(root, encoding="unicode", xml_declaration=True) + "\n"


def _junit_case(suite: ElementTree.Element, verdict: Verdict) -> None:
    case = verdict.case
    row = ElementTree.SubElement(
        suite, "testcase", classname=case.area, name=_xml(f"{case.id} {case.title}")
    )
    properties = ElementTree.SubElement(row, "properties")
    for name, value in (
        ("level", case.level),
        ("aim", case.aim),
        ("requirements", " ".join(case.requirements)),
    ):
        ElementTree.SubElement(properties, "property", name=name, value=value)
    tags = {MUST_MISSED: "failure", ERROR: "error", SKIP: "skipped"}
    if verdict.verdict in tags:
        message = _xml(verdict.detail.partition("\n")[0])
        note = ElementTree.SubElement(row, tags[verdict.verdict], message=message)
        note.text = _xml(_story(verdict))
    elif verdict.verdict != PASS:
        note = ElementTree.SubElement(row, "system-out")
        note.text = _xml(f"{verdict.verdict}: {_story(verdict)}")


def _story(verdict: Verdict) -> str:
    parts = [verdict.detail]
    if verdict.sent:
        parts.append(f"sent: {verdict.sent}")
    parts += [f"{name}: {BY_ID[name].text}" for name in verdict.case.requirements]
    parts.append(f"harm: {verdict.case.harm}")
    return "\n".join(parts)


def _xml(text: str) -> str:
    """Leave out what XML 1.0 cannot say."""
    return re.sub(r"[^\t\n\r\x20-\ud7ff\ue000-\ufffd\U00010000-\U0010ffff]", "?", text)


def as_markdown(target: str, identity: Identity | None, verdicts: Sequence[Verdict]) -> str:
    """Return a page: what was judged, a table of areas, and every case that did not pass."""
    who = f"{identity.name} {identity.version}" if identity else "nobody answered"
    lines = [f"# {_cell(who)} behind `{target}`", "", verdict_line(verdicts), ""]
    words = [verdict.replace("_", " ") for verdict in VERDICTS]
    lines += ["| area | " + " | ".join(words) + " |", "| --- |" + " ---: |" * len(words)]
    for area in dict.fromkeys(verdict.case.area for verdict in verdicts):
        counts = counted(v for v in verdicts if v.case.area == area)
        lines.append(f"| {area} | " + " | ".join(str(counts[v]) for v in VERDICTS) + " |")
    rest = [verdict for verdict in verdicts if verdict.verdict not in (PASS, SKIP)]
    if rest:
        lines += [
            "",
            "| case | verdict | what came back | requirement | harm |",
            "| --- " * 5 + "|",
        ]
    for verdict in rest:
        row = (
            f"{verdict.case.id} {verdict.case.title}",
            verdict.verdict.replace("_", " "),
            verdict.detail.partition("\n")[0],
            " ".join(verdict.case.requirements),
            verdict.case.harm,
        )
        lines.append("| " + " | ".join(map(_cell, row)) + " |")
    return "\n".join(lines) + "\n"


def _cell(text: str) -> str:
    return text.replace("|", "\\|").replace("\n", " ")


def verdict_line(verdicts: Sequence[Verdict]) -> str:
    """Return the last word: one unsafe limit is not 99 % good, so there is no percentage."""
    counts = counted(verdicts)
    if not verdicts or counts[ERROR] == len(verdicts):
        return "Nothing could be judged."
    if conformant(verdicts):
        missed = counts[SHOULD_MISSED]
        return "Every MUST is met." + (f" {missed} SHOULD missed." if missed else "")
    parts = [f"{counts[MUST_MISSED]} MUST missed, {counts[ERROR]} could not be judged."]
    if safe(verdicts):
        parts.append("None of those missed is about safety: it allows too little to be of use.")
    return " ".join(parts)
