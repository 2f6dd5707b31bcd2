"""Interviews: two people talk, in a room or dry, over noise; a manner then does its damage.

A manner is one way in which something is wrong, or only sounds as if it were: a function of a
take, registered with ``manner``.
"""

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any
from zlib import crc32

import numpy as np

from .sounds import coloured, delayed, fan, gain, limiter, passed, response, rms, traffic
from .takes import Take
from .voices import RATE_HZ, available, utterances

STYLES = {  # seconds of a question, of an answer, between them
    "usual": ((2, 8), (5, 22), (0.3, 2)),
    "long": ((2, 6), (15, 40), (0.4, 2.5)),
    "slow": ((2, 8), (6, 18), (1.2, 4)),
    "quick": ((1, 3), (1, 5), (0.25, 1.2)),
    "unequal": ((1, 2), (14, 25), (0.4, 1.5)),
    "monologue": ((3, 5), (70, 100), (0.5, 1)),
}

MANNERS: dict[tuple[str, str], tuple[Callable[[Take], None], dict[str, Any]]] = {}


def manner(kind: str, *names: str, **setting: Any):
    """Register a function as one or more manners; ``setting`` goes to ``_talk``."""

    def register(function: Callable[[Take], None]) -> Callable[[Take], None]:
        for name in names:
            MANNERS[kind, name] = (function, setting)
        return function

    return register


def make(
    kind: str, name: str, seed: int, part: str, root: Path = Path("/"),
    seconds: float | None = None, speakers: Sequence[str] = (),
) -> Take:  # fmt: skip
    """Return a take with that damage; the same arguments and speakers make the same take."""
    function, setting = MANNERS[kind, name]
    rng = np.random.default_rng([crc32(f"{kind}/{name}/{part}".encode()), seed])
    seconds = seconds or rng.uniform(*((80, 130) if kind == "clean" else (60, 95)))
    chosen = speakers or [str(v) for v in rng.choice(available(part, root), 2, replace=False)]
    silence = (np.zeros((2, int(seconds * RATE_HZ))) for _ in range(4))
    take = Take(kind, name, rng, seconds, root, part, list(chosen), *silence)
    _talk(take, **setting)
    function(take)
    return take


def _talk(
    take: Take, style: str | None = None, leak_db: Any = (-28, -15), snr_db: Any = (30, 48),
    place: str | None = None,
) -> None:  # fmt: skip
    """Let two people talk into their microphones; nothing is wrong yet."""
    rng = take.rng
    place = place or str(rng.choice(["dry", "room", "narrow"], p=[0.4, 0.4, 0.2]))
    leak = None if leak_db is None else rng.uniform(*leak_db) + rng.uniform(-1.5, 1.5, 2)
    if rng.random() < 0.4:
        take.late_s[rng.integers(2)] = rng.uniform(0.002, 0.02)
    take.paths = _paths(rng, place, leak)
    _converse(take, style or str(rng.choice(["usual", "long", "slow", "quick"])))
    if place == "narrow":
        _narrow(take)
    take.noise = _noises(take, place, rng.uniform(*snr_db))
    _set_gains(take)
    take.mix()


def _paths(rng, place, leak):
    """Return for each voice its response at the own microphone and at the other's."""
    delay_s, t60_s = rng.uniform(0.002, 0.008), rng.uniform(0.2, 0.8)
    paths = []
    for voice in (0, 1):
        if place == "room":
            near = response(rng, t60_s, rng.uniform(10, 18), 0.0005)
            far = response(rng, t60_s, rng.uniform(1, 7), delay_s)
            far /= np.sqrt(np.sum(far**2) / np.sum(near**2))
        else:
            near, far = np.ones(1), delayed(np.r_[1, np.zeros(600)], delay_s)
            if rng.random() < 0.5:  # the other's microphone points away: duller
                far = passed(far, None, rng.choice([2500, 5000]))
        paths.append([near, far * (0 if leak is None else gain(leak[voice]))])
    return paths


def _converse(take: Take, style: str) -> None:
    asks, answers, between = STYLES[style]
    rng, now_s, who = take.rng, take.rng.uniform(0.4, 3), 0
    while now_s < take.seconds - 3:
        most_s = min(rng.uniform(*(answers if who else asks)), take.seconds - 1.5 - now_s)
        end_s = take.say(who, now_s, sentence(take, who, most_s))
        take.turns.append((who, now_s, end_s))
        now_s = end_s + rng.uniform(*between)
        who = 1 - who if rng.random() > 0.06 else who


def sentence(take: Take, who: int, most_s: float) -> np.ndarray:
    """Return some of a speaker's utterances with short pauses, about so long."""
    said, length_s = [], 0.0
    all_of_them = utterances(take.speakers[who], take.root)
    while length_s < most_s:
        one = all_of_them[take.rng.integers(len(all_of_them))] * gain(take.rng.normal(0, 1.3))
        if said and length_s + len(one) / RATE_HZ > 1.25 * most_s + 1:
            break
        rest = np.zeros(int(take.rng.uniform(0.12, 0.55) * RATE_HZ))
        said += [one, rest]
        length_s += (len(one) + len(rest)) / RATE_HZ
    return np.concatenate(said[:-1])[: int((most_s + 5) * RATE_HZ)]


def _narrow(take: Take) -> None:
    """Let both inputs pass a telephone's or a cheap transmitter's band, limited or not."""
    top_hz, low_hz = take.rng.choice([4000, 8000, 11_000]), take.rng.choice([80, 120])
    for parts in (take.own, take.leak):
        for mic in (0, 1):
            parts[mic] = passed(passed(parts[mic], None, top_hz, 8), low_hz, None, 2)
    if take.rng.random() < 0.5:
        for mic in (0, 1):
            take.own[mic] *= limiter(take.own[mic], gain(-16))


def _noises(take: Take, place: str, snr_db: float) -> np.ndarray:
    rng, frames = take.rng, take.frames
    noise = np.empty((2, frames))
    room = {0: None, 1: fan, 2: traffic}[rng.integers(3)] if place == "room" else None
    shared = room(rng, frames) if room else None
    for mic in (0, 1):
        hiss = coloured(rng, frames, rng.choice(["white", "pink", "brown"]))
        if shared is not None:
            # Low down both microphones hear the same, higher up each its own.
            of_its_own = room(np.random.default_rng(mic), frames) if room is fan else hiss
            hiss = passed(np.roll(shared, 150 * mic), None, 500) + 0.3 * of_its_own
        noise[mic] = hiss / rms(hiss) * take.voice_level(mic) * gain(-snr_db + rng.uniform(-2, 2))
    return noise


def _set_gains(take: Take) -> None:
    """Set both inputs as people do: somewhere sensible, seldom alike, words under full scale."""
    rng = take.rng
    level_dbfs = rng.uniform(-36, -19)
    levels = np.array([level_dbfs, level_dbfs])
    levels[rng.integers(2)] -= rng.uniform(0, 12) if rng.random() < 0.6 else 0
    levels = np.maximum(levels, -38)
    for mic in (0, 1):
        peak = np.abs(take.own[mic]).max()
        take.gains[mic] = min(gain(levels[mic]) / take.voice_level(mic), gain(-3) / peak)
