"""Which scenes a scoring run makes: every kind often enough, and scenes without damage.

Scenes come in rounds of eighteen, of about a minute each. Sixteen rounds of all kinds (288 scenes)
are followed by rounds of those kinds that are rare among them: after seven (414 scenes) there are
60 instances of each kind or more, in well over 300 minutes.
"""

from dataclasses import dataclass
from itertools import count

import numpy as np

from scenes.fooled import FOOLERS
from scenes.model import Half

ROUND = (
    *["clean"], *["fooled"] * 3, *["one_place"] * 3, *["mic_dead"] * 3, *["dual_mono"] * 3,
    *["polarity"] * 3, *["events"] * 2,
)  # fmt: skip
LATER_FROM = 16 * len(ROUND)
LATER = (
    *["polarity"] * 4, *["one_place"] * 2, *["mic_dead"] * 2, *["dual_mono"] * 2,
    *["background"] * 4, *["quiet"] * 2, *["events"] * 2,
)  # fmt: skip
# How often each of the damages that share a scene is drawn.
_EVENTS = {
    "clipping": 1.6, "dropout": 0.7, "click": 0.8, "rustle": 0.8, "wind": 1.0, "hum": 2.4,
    "background_change": 1.8, "level_jump": 1.6, "crosstalk_part": 1.0, "both_talking": 0.9,
    "bad_samples": 1.1,
}  # fmt: skip
_NOT_TOGETHER = (
    {"bad_samples", "clipping"},
    {"low_level", "clipping"},
    {"crosstalk_part", "crosstalk"},
    {"crosstalk_part", "noise"},
    {"automatic_gain", "level_jump"},
    {"automatic_gain", "background_change"},
    {"automatic_gain", "hum"},
    {"level_jump", "background_change"},
)


@dataclass(frozen=True)
class Plan:
    """The arguments of one scene."""

    seed: int
    half: Half
    kinds: tuple[str, ...]
    fooled: tuple[str, ...]
    duration_s: float


def draw_plans(scenes: int, half: Half, seed: int, kinds: tuple[str, ...] = ()) -> list[Plan]:
    """Draw the plans of a run; with ``kinds``, only scenes that hold one of them."""
    plans: list[Plan] = []
    for number in count():
        if len(plans) == scenes:
            return plans
        plan = _draw(number, half, seed)
        if not kinds or set(kinds) & set(plan.kinds + plan.fooled):
            plans.append(plan)
        if number > 100 * scenes + 1000:
            raise ValueError(f"No scenes with {', '.join(kinds)}: see KINDS and FOOLERS.")
    raise AssertionError


def _draw(number: int, half: Half, seed: int) -> Plan:
    rng = np.random.default_rng([seed, number, int(half == "reporting")])
    place, cycle = number % len(ROUND), number // len(ROUND)
    is_later = number >= LATER_FROM
    sort = (LATER if is_later else ROUND)[place]
    kinds: list[str] = []
    fooled: tuple[str, ...] = ()
    events = 0
    if sort == "fooled":
        names = list(FOOLERS)
        fooled = (names[(3 * cycle + place - 1) % len(names)],)
    elif sort == "one_place":
        kinds = ["one_place", "dc_offset"]
    elif sort != "clean":
        kinds, events = ([sort], 1)
        if sort == "events":  # one of the two in a noisy place
            kinds, events = (["noise"], 3) if place % 2 else ([], 4)
        if sort == "polarity":
            extra = ("low_level", "low_level", ("noise", "crosstalk", "automatic_gain")[cycle % 3])
            kinds.append(("low_level", "noise")[place % 2] if is_later else extra[place % 3])
            events = 1 if is_later else 3
        if sort == "background":
            kinds, events = (["background_change", "dropout"], 1)
        if sort == "quiet":
            kinds, events = (["low_level"], 2)
    names, weights = list(_EVENTS), np.array(list(_EVENTS.values()))
    for name in rng.choice(names, len(names), replace=False, p=weights / weights.sum()):
        together = {*kinds, str(name)}
        if events and not any(pair <= together for pair in _NOT_TOGETHER):
            kinds.append(str(name))
            events -= 1
    duration_s = 45.0 if sort == "one_place" else float(rng.integers(60, 76))
    return Plan(seed * 100_000 + number, half, tuple(kinds), fooled, duration_s)
