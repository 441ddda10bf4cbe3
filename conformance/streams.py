"""Random streams of driver requests: a seed is a stream, the same on every machine.

`python -m conformance.streams SEED` prints one. A stream tells some minutes up to days of a bank's
life: packs report, repeat themselves, come late, fall silent and return, refuse, open, freeze and
lie; the total wanders, cells fill, the owner asks, the gateway restarts, the clock wraps; and now
and then comes something that no device should be sent. All numbers are invented.
"""

import json
import sys
from collections.abc import Callable, Iterator

from conformance.story import TICKS, USUAL_CELL_MV, Story
from conformance.stream_values import MOODS, ODD_VALUES, REQUESTS, odd_settings, settings_for

Op = dict[str, object]

CELL_LEVELS_MV = (2_690, 2_880, 3_200, 3_360, 3_445, 3_455, 3_455, 3_540)
LIMITS = ("charge_current", "discharge_current", "charge_voltage", "discharge_voltage")
LAST_SNAPSHOT = "last snapshot"  # stands for what the device answered, see `play`

# What may happen: functions of a story.


def rounds(story: Story) -> None:
    """Nothing in particular."""
    for _ in range(story.random.randint(1, 5)):
        story.tick()


def long_time(story: Story) -> None:
    """Many rounds in which the total swings, so that shares are learned and stages go by."""
    usual_ms, story.gap_ms = story.gap_ms, 10_000
    most_ma = 40_000 * len(story.packs)
    for turn in range(story.random.randint(30, 100)):
        if turn % 6 == 0:
            story.aim_ma = story.random.randint(-most_ma, most_ma)
        story.tick()
    story.gap_ms = usual_ms


def gap(story: Story) -> None:
    """Nobody calls for a while: too long for a reading, for a wish, or for half of the counter."""
    ages_ms = (12_000, 31_000, 600_000, 7_200_000, 90_000_000, 420_000_000, TICKS // 2 + 5)
    story.now_ms += story.random.choice(ages_ms)
    story.say("step")


def fall_back(story: Story) -> None:
    """The source of time restarted."""
    story.now_ms = story.random.choice((0, max(0, story.now_ms - 5_000)))


def aim(story: Story) -> None:
    """Sun, chargers or loads change."""
    most_ma = 100_000 * len(story.packs)
    story.aim_ma = story.random.choice((0, story.random.randint(-most_ma, most_ma)))


def level(story: Story) -> None:
    """The cells are found elsewhere for a while; soon the stage is another."""
    usual_ms, story.gap_ms = story.gap_ms, 5_000
    story.cell_mv = story.random.choice(CELL_LEVELS_MV)
    for _ in range(story.random.randint(1, 12)):
        story.tick()
    story.gap_ms = usual_ms
    if story.random.random() < 0.8:
        story.cell_mv = USUAL_CELL_MV


def mood(story: Story) -> None:
    """A pack begins to say something unusual."""
    story.any_pack().mood.update(story.random.choice(MOODS))


def well_again(story: Story) -> None:
    """A pack is as it should be, and speaks."""
    pack = story.any_pack()
    pack.mood, pack.silent, pack.frozen = {}, False, False


def silence(story: Story) -> None:
    """A pack reports no more."""
    story.any_pack().silent = True


def disconnect(story: Story) -> None:
    """A pack is taken off the bus, and declared so; perhaps it comes back."""
    pack = story.any_pack()
    pack.silent = True
    story.now_ms += 500_000
    story.say("step")
    story.say("request", kind="declare_removed", pack=pack.name)
    rounds(story)
    if story.random.random() < 0.5:
        story.say("request", kind="declare_returned", pack=pack.name)
    pack.silent = story.random.random() < 0.5


def freeze(story: Story) -> None:
    """A pack goes on reporting the same while the total swings."""
    story.any_pack().frozen = True
    if story.random.random() < 0.3:
        long_time(story)


def turn_round(story: Story) -> None:
    """A sensor is the wrong way round from the start."""
    story.packs[0].sign = -1
    long_time(story)


def high_cell(story: Story) -> None:
    """One cell is near its ceiling long before the bank is."""
    pack = story.any_pack()
    usual_ms, story.gap_ms = story.gap_ms, 10_000
    pack.mood["cell_max_mv"] = 3_520
    for _ in range(22):
        story.tick()
    pack.mood = {}
    story.gap_ms = usual_ms


def circulate(story: Story) -> None:
    """With no total at all, one pack drives another to its limit, or beyond."""
    taker, giver = story.packs[0], story.packs[-1]
    flow_ma = taker.limit_ma * story.random.choice((96, 110)) // 100
    usual_ms, story.gap_ms = story.gap_ms, 10_000
    story.aim_ma = story.total_ma = 0
    taker.mood["current_ma"] = flow_ma
    giver.mood["current_ma"] = -flow_ma
    for _ in range(story.random.choice((10, 10, 80))):
        story.tick()
    taker.mood, giver.mood = {}, {}
    story.gap_ms = usual_ms


def odd_report(story: Story) -> None:
    """A field is not what it should be, or there is no such field."""
    pack = story.any_pack()
    field = story.random.choice(
        [*story.reading(pack), "sample", "pack", "age_ms", "balancing", "x"]
    )
    story.report(pack, {field: story.random.choice(ODD_VALUES)})


def bus_meter(story: Story) -> None:
    """A meter on the bus speaks; sometimes nonsense."""
    fields: dict[str, object] = {"sample": story.random.randrange(65_536)}
    fields["current_ma"] = story.total_ma + story.random.randint(-200, 200)
    if story.random.random() < 0.3:
        field = story.random.choice(("sample", "age_ms", "voltage_mv", "current_ma", "y"))
        fields[field] = story.random.choice(ODD_VALUES)
    story.say("bus", **fields)


def request(story: Story) -> None:
    """The owner asks for something; sometimes for something odd."""
    random = story.random
    kind, usual = random.choice(REQUESTS)
    fields = dict(usual)
    if random.random() < 0.15:
        fields["source"] = f"source {random.randrange(20)}"
    if random.random() < 0.15:
        field = random.choice(("kind", "pack", "value", "lasts_ms", "source", "field", "z"))
        fields[field] = random.choice(ODD_VALUES)
    story.say("request", **{"kind": kind, **fields})


def ask_why(story: Story) -> None:
    """The reasons for every limit, and for something that is none."""
    for limit in LIMITS:
        story.say("why", limit=limit)
    if story.random.random() < 0.2:
        story.say("why", limit=story.random.choice(ODD_VALUES))
    story.say("may_speak")


def restart(story: Story) -> None:
    """The gateway keeps its state, restarts and takes it up again; sometimes it is damaged."""
    story.say("snapshot")
    if story.random.random() < 0.7:
        story.say("reset", settings=settings_for(story.random, story.packs, story.cell_count))
    damage: list[object] = []
    if story.random.random() < 0.3:
        damage = [story.random.randrange(100), story.random.choice(ODD_VALUES)]
    story.say("restore", state={LAST_SNAPSHOT: damage})
    story.say("step")


def odd_request(story: Story) -> None:
    """Something that is no request, or has no time."""
    random = story.random
    odd = random.choice(ODD_VALUES)
    story.ops.append(
        random.choice(
            (
                {"op": odd},
                {"op": "step", "t": odd},
                {"op": "report", "pack": story.any_pack().name, "sample": 1, "t": odd},
                {"op": "restore", "t": 0, "state": odd},
                {"op": "reset", "t": 0, "settings": odd},
                {"op": "reset", "t": 0, "settings": odd_settings(random, story.packs)},
            )
        )
    )


# In a calm stream and in a troubled one: how often (in parts of the whole), what.
EVENTS: tuple[tuple[int, int, Callable[[Story], None]], ...] = (
    (20, 20, rounds),
    (2, 1, long_time),
    (1, 3, gap),
    (0, 1, fall_back),
    (6, 6, aim),
    (5, 3, level),
    (1, 9, mood),
    (2, 8, well_again),
    (0, 3, silence),
    (0, 2, freeze),
    (1, 0, turn_round),
    (1, 1, circulate),
    (1, 1, high_cell),
    (1, 2, disconnect),
    (2, 4, odd_report),
    (2, 3, bus_meter),
    (6, 6, request),
    (3, 5, ask_why),
    (2, 2, restart),
    (1, 2, odd_request),
)


def stream(seed: int) -> list[Op]:
    """Return one stream. It begins with settings that any device takes."""
    story = Story(seed)
    names: list[object] = [{"pack": pack.name} for pack in story.packs]
    story.say("reset", settings={"packs": names, "cell_count": story.cell_count})
    story.say("reset", settings=settings_for(story.random, story.packs, story.cell_count))
    rounds(story)
    calm = story.random.random() < 0.5
    weights = [often if calm else troubled for often, troubled, _ in EVENTS]
    acts = [act for _, _, act in EVENTS]
    for act in story.random.choices(acts, weights, k=story.random.choice((3, 6, 12))):
        act(story)
    ask_why(story)
    story.say("snapshot")
    return story.ops


def play(ops: list[Op], ask: Callable[[str], str]) -> Iterator[tuple[str, str]]:
    """Send a stream to a device, and yield each line with its answer.

    A restore takes up what the device answered to the last snapshot; one of its values is replaced
    where the stream says so.
    """
    kept: dict[str, object] = {}
    for op in ops:
        state = op.get("state")
        if isinstance(state, dict) and LAST_SNAPSHOT in state:
            taken = dict(kept)
            if taken and state[LAST_SNAPSHOT]:
                number, value = state[LAST_SNAPSHOT]
                taken[sorted(taken)[number % len(taken)]] = value
            op = {**op, "state": taken}
        line = json.dumps(op)
        answer = ask(line)
        yield line, answer
        if op.get("op") == "snapshot":
            kept = json.loads(answer).get("state", {})


if __name__ == "__main__":
    from conformance.device import Device, answer_line

    own = Device()
    for sent, _ in play(stream(int(sys.argv[1])), lambda line: answer_line(own, line) or ""):
        print(sent)
