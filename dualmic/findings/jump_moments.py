"""When a gain jumped: by likelihood, from what every block says for the levels before or after."""

import numpy as np

from dualmic.findings.base import BLOCKS_PER_S
from dualmic.findings.jump_sound import AGREE_DB, Sound
from dualmic.findings.sums import LEAST_BLOCKS, SIDE, Sums
from dualmic.tiles import Powers

# All our choices, tuned on simulated scenes.
REACH = 4 * BLOCKS_PER_S
APART = 1 * BLOCKS_PER_S
LIKELY = 6.0  # nepers of likelihood under the best moment's
WIDEST_DB, SMEAR_DB, CLEAREST, UNSURE = 60, 1.5, 4.0, 0.15
LOW_SHARE, LOW_SAYS, OTHERS_SAY_LESS = 0.2, 3.0, 60.0
REST_DB, REST_SAYS = 2.0, 1.5  # how near a background is to its usual, and nepers for a block of it


def moment_of(
    sound: Sound, mic: int, block: int, ends: tuple[int, int], by: float
) -> tuple[int, int, int]:
    """Return the block from which on the differences are the later ones, and how early and late.

    Whoever speaks, a difference that was common before, or would be common after but for the jump,
    speaks for before; so no block has to be given to a person first. Pauses are told from speech.
    """
    first, end = ends
    low, high = max(block - REACH, first), min(block + REACH, end)
    edges = np.array([max(block - SIDE, first), block, min(block + SIDE, end)])
    evidence = _of_lows(sound.levels[mic, low:high], sound.quiet[mic], edges)
    evidence += of_rests(sound, mic, slice(low, high), edges)
    rest = ~sound.classes[2]
    kinds = [sound.classes[2]]
    for voice, sums in zip(sound.classes[:2], sound.sums[:2], strict=True):
        if abs(sums.shift(edges[1:2], first, end)[0, 0] - by) < AGREE_DB:
            kinds.append(voice)
            rest = rest & ~voice
    for kind in (*kinds, rest):
        row = np.where(kind, sound.mean, np.nan)
        ahead = row[edges[0] : max(block - APART, edges[0])]
        later = row[min(block + APART, edges[2]) : edges[2]]
        before = _common(np.concatenate([ahead, later - by]))
        after = _common(np.concatenate([ahead + by, later]))
        heard = np.isfinite(row[low:high])
        at = _bins(row[low:high][heard])
        clearest = CLEAREST if kind is not rest else UNSURE
        evidence[heard] += np.clip(np.log(after[at] / before[at]), -clearest, clearest)
    total = np.concatenate([[0.0], np.cumsum(evidence)])
    likely = np.flatnonzero(total < total.min() + LIKELY)
    return low + int(np.argmin(total)), low + int(likely[0]), low + int(likely[-1])


def _bins(difference_db: Powers) -> np.ndarray:
    return np.clip(np.round(difference_db) + WIDEST_DB, 0, 2 * WIDEST_DB).astype(np.int64)


def _common(difference_db: Powers) -> Powers:
    """Return how common each difference is, in steps of 1 dB."""
    counts = np.bincount(
        _bins(difference_db[np.isfinite(difference_db)]), minlength=2 * WIDEST_DB + 1
    )
    kernel = np.exp(-0.5 * (np.arange(-4, 5) / SMEAR_DB) ** 2)
    return np.convolve(counts, kernel / kernel.sum(), mode="same") + 0.01 * counts.sum() / 20 + 1e-3


def _of_lows(levels: Powers, quiet: Sums, edges: np.ndarray) -> Powers:
    """Return what each block says for the later level: none lies below the background it is in."""
    number, mean, _ = quiet.over(edges[:2], edges[1:])
    if number.min() < LEAST_BLOCKS:
        return np.zeros(len(levels))
    by = mean[1] - mean[0]
    with np.errstate(invalid="ignore"):
        is_low = levels.mean(axis=1) < mean.mean() - LOW_SHARE * abs(by)
    return np.sign(by) * np.where(is_low, -LOW_SAYS, LOW_SAYS / OTHERS_SAY_LESS)


def of_rests(sound: Sound, mic: int, part: slice, edges: np.ndarray) -> Powers:
    """Return what the background says just beside the moment, where it may pass for speech.

    The background before a drop stands over the one that is usual after it. With the other
    microphone at its own background nobody speaks, and the nearer of the two levels tells.
    """
    number, mean, _ = sound.quiet[mic].over(edges[:2], edges[1:])
    others, still, _ = sound.quiet[1 - mic].over(edges[:1], edges[2:])
    levels = sound.levels[:, part].mean(axis=2)
    if min(number.min(), others.min()) < LEAST_BLOCKS:
        return np.zeros(levels.shape[1])
    with np.errstate(invalid="ignore"):
        nobody = np.abs(levels[1 - mic] - still[0]) < REST_DB
        from_before, from_after = (np.abs(levels[mic] - level) for level in mean)
        told = nobody & (np.minimum(from_before, from_after) < REST_DB)
        return np.where(told, np.where(from_after < from_before, REST_SAYS, -REST_SAYS), 0.0)
