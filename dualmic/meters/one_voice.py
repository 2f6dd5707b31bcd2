"""One voice that both microphones hear as their own: somebody turned round for an answer.

Where a leak is far above its usual level, both microphones hold more than noise and leak, and both
wearers seem to speak. But a leak follows its voice up and down, and two people's words do not
(:func:`follows`). Whose voice it is takes three witnesses, each worth some decibels: a voice is
still a little louder in its own microphone than midway between the two people's usual level
differences; there it has the spectrum it always has; and people take turns, so it belongs to the
one who did not speak just before and after.
"""

import numpy as np

from dualmic.meters.bands import voice_power
from dualmic.meters.masks import bridged, longer, moving_mean, runs_of, widened
from dualmic.tiles import Floats, Mask, power_db

# Our choices, tuned on simulated scenes.
FOLLOWS = 0.65  # correlation of the two levels in dB: a leak stays near 0.9, two people under it
SYLLABLES_CELLS = 51
LAGS = 1  # cells either way, for a wireless link (2 to 20 ms, common practice)
LEAST_S = 0.6
BRIDGE_S = 0.7
ANSWER_BRIDGE_S = 2.5  # stretches closer than this are one answer
BESIDE_S = 6.0
CLEARLY = 2.0  # as much speech beside it as the other has
LEVEL_DB, SPECTRUM_DB, TURNS_DB = 4.0, 4.0, 3.0  # the most that each witness is worth
LEAST_KNOWN_CELLS = 100
# Inside a stretch of one voice, a second one shows where the two levels part over a second.
APART, APART_CELLS, APART_LEAST_CELLS = 0.3, 101, 40
_SMOOTH = 5


def voice_db(bands_db: np.ndarray) -> Floats:
    """Return one microphone's level from 300 Hz to 4 kHz over 50 ms, ``(cells,)``."""
    return 10 * np.log10(voice_power(bands_db, smooth_cells=_SMOOTH) + np.float32(1e-16))


def follows(first_db: Floats, second_db: Floats, inside: Mask) -> float:
    """Return how closely two levels rise and fall together, 1 for one voice in both microphones.

    Only the quick movements say so, from syllable to syllable: two people who stop at once, or
    grow louder against each other, move together slowly.

    Args:
        first_db: level of one microphone over a stretch of cells.
        second_db: level of the other.
        inside: the cells to look at.

    """
    quick = [voice - moving_mean(voice, SYLLABLES_CELLS) for voice in (first_db, second_db)]
    best = 0.0
    for late in range(-LAGS, LAGS + 1):
        size = len(inside) - abs(late)
        seen = inside[:size]
        a = quick[0][max(late, 0) :][:size][seen]
        b = quick[1][max(-late, 0) :][:size][seen]
        if len(a) >= 2 * _SMOOTH and min(a.std(), b.std()) > 1e-6:
            best = max(best, float(np.corrcoef(a, b)[0, 1]))
    return best


def with_one_owner(bands_db: np.ndarray, own: Mask, middle_db: float | None) -> Mask:
    """Return ``own`` ``(2, cells)`` with stretches of one voice left to whoever it belongs to.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        own: where each microphone's wearer seems to speak.
        middle_db: the level difference midway between the two people's, None if not known.

    """
    both = own[0] & own[1]
    if not both.any():
        return own
    level = [voice_db(bands_db[mic]) for mic in (0, 1)]
    answers: list[list[tuple[int, int]]] = []
    for start, end in zip(*runs_of(bridged(both, round(BRIDGE_S * 100))), strict=True):
        if both[start:end].sum() < LEAST_S * 100:
            continue
        if follows(level[0][start:end], level[1][start:end], both[start:end]) < FOLLOWS:
            continue
        if answers and start - answers[-1][-1][1] < ANSWER_BRIDGE_S * 100:
            answers[-1].append((start, end))
        else:
            answers.append([(start, end)])
    owned = own.copy()
    for parts in answers:
        inside = np.zeros(own.shape[1], bool)
        for start, end in parts:
            inside[start:end] = True
        held = inside & both
        witness = 0.0
        if middle_db is not None:
            apart = float(np.median(level[0][held] - level[1][held])) - middle_db
            witness += float(np.clip(apart, -LEVEL_DB, LEVEL_DB))
        witness += _by_spectrum(bands_db, own, held)
        witness += _by_turns(own, parts[0][0], parts[-1][1])
        if witness != 0:
            owner = int(witness < 0)
            alone = inside & ~_two_voices(level, inside & both)
            owned[owner] |= alone & own[1 - owner]
            owned[1 - owner] &= ~alone
    return owned


def _two_voices(level: list[Floats], held: Mask) -> Mask:
    """Where, inside one person's answer, the levels part for a while: somebody talks over it."""
    weight = moving_mean(held.astype(float), APART_CELLS) + 1e-9
    a, b = (np.where(held, voice, 0.0) for voice in level)
    mean_a, mean_b = (moving_mean(x, APART_CELLS) / weight for x in (a, b))
    var_a = moving_mean(a * a, APART_CELLS) / weight - mean_a**2
    var_b = moving_mean(b * b, APART_CELLS) / weight - mean_b**2
    together = moving_mean(a * b, APART_CELLS) / weight - mean_a * mean_b
    correlation = together / np.sqrt(np.maximum(var_a * var_b, 1e-6))
    core = held & (weight > 0.5) & (correlation < APART)
    return held & widened(longer(core, APART_LEAST_CELLS), APART_CELLS // 4, APART_CELLS // 4)


def _by_spectrum(bands_db: np.ndarray, own: Mask, held: Mask) -> float:
    """Say in whose microphone the voice has its wearer's usual spectrum: + the first's, - else."""
    spread = []
    for mic in (0, 1):
        usual = own[mic] & ~widened(own[1 - mic], 20, 40)
        if usual.sum() < LEAST_KNOWN_CELLS:
            return 0.0
        means = [
            power_db((10 ** (bands_db[mic, at].astype(float) / 10)).mean(axis=0))
            for at in (held, usual)
        ]
        spread.append(float((means[0] - means[1]).std()))
    return float(np.clip(spread[1] - spread[0], -SPECTRUM_DB, SPECTRUM_DB))


def _by_turns(own: Mask, start: int, end: int) -> float:
    """Say whose turn it is: + the first person's, - the second's, 0 if unclear."""
    beside = round(BESIDE_S * 100)
    spoken = own[:, max(start - beside, 0) : start].sum(axis=1)
    spoken = spoken + own[:, end : end + beside].sum(axis=1)
    if spoken.max() < CLEARLY * max(spoken.min(), 1):
        return 0.0
    return TURNS_DB if np.argmin(spoken) == 0 else -TURNS_DB
