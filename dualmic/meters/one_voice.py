"""One voice that both microphones hear as their own: somebody turned round for an answer.

Where a leak is far above its usual level, both microphones hold more than noise and leak, and both
wearers seem to speak. But the level of one voice differs between the microphones as it always does,
and two people's words do not (:mod:`dualmic.meters.two_voices`). Whose voice it is takes three
witnesses, each worth some decibels: a voice is still a little louder in its own microphone than
midway between the two people's usual level differences; there it has the spectrum it always has;
and people take turns, so it belongs to the one who did not speak just before and after.
"""

from collections.abc import Callable

import numpy as np

from dualmic.meters.bands import mean_db, voice_power
from dualmic.meters.masks import bridged, longer, runs_of, widened
from dualmic.meters.places import Places
from dualmic.meters.two_voices import TWO, TwoVoices
from dualmic.tiles import Mask, Powers, power_db

# Our choices, tuned on simulated scenes.
LEAST_S = 0.6
BRIDGE_S = 0.7
ANSWER_BRIDGE_S = 2.5  # stretches closer than this are one answer
BESIDE_S = 6.0
CLEARLY = 2.0  # as much speech beside it as the other has
LEVEL_DB, SPECTRUM_DB, TURNS_DB = 4.0, 4.0, 3.0  # the most that each witness is worth
LEAST_KNOWN_CELLS = 100
# Inside a stretch of one voice, a second one is where the levels part for so long; what is looked
# at over a second begins and ends a quarter of one outside.
TWO_SHARE = 0.25  # of a stretch in which both people's places stand out
APART_LEAST_CELLS, APART_SMEAR_CELLS = 40, 25
# Of the way from one voice to two: simulated single voices stay under 0, two voices over 0.6; where
# two places show, too, less has to be seen of it than where levels alone tell.
ONE, HEARD_SHARE = 0.1, 0.1
# Whoever is not heard over noise and the other's leak has to be hidden under them for so long: in
# 381 takes, of 32 such stretches of one voice 27 leave no place to hide, of 33 of two voices 5.
HIDDEN_SHARE = 0.2
ASSENT_CELLS = 80  # what is shorter may be an assent, far softer than its speaker's usual words


def alone(own: Mask) -> Mask:
    """Where one person alone speaks, the tail of the other's speech left out, ``(2, cells)``."""
    return np.stack([own[m] & ~widened(own[1 - m], 10, 30) for m in (0, 1)])


def with_one_owner(
    bands_db: np.ndarray,
    own: Mask,
    middle_db: float | None,
    places: Places | None = None,
    at_once: Mask | None = None,
    hidden: Callable[[Mask], Mask] | None = None,
) -> Mask:
    """Return ``own`` ``(2, cells)`` with stretches of one voice left to whoever it belongs to.

    Args:
        bands_db: ``(2, cells, bands)`` band powers in dB.
        own: where each microphone's wearer seems to speak.
        middle_db: the level difference midway between the two people's, None if not known.
        places: where the two people are, None if not known.
        at_once: where two voices share the spectrum, ``(cells,)``, None if not known.
        hidden: tells, of some cells, where each wearer could talk without a sign of it in the
            levels, ``(2, cells)``; None if levels do not tell.

    """
    own = own.copy()
    together = np.zeros(own.shape[1], bool)
    if places is not None:
        together = places.together() & (own[0] | own[1])
    if at_once is not None:
        together |= at_once & (own[0] | own[1])
    together = _parting(bands_db, own, together, hidden)
    own |= together
    both = own[0] & own[1]
    if not both.any():
        return own
    voices = TwoVoices(bands_db, alone(own), ~(own[0] | own[1]))
    answers: list[list[tuple[int, int]]] = []
    two = together.copy()
    owned = own.copy()
    for start, end in zip(*runs_of(bridged(both, round(BRIDGE_S * 100))), strict=True):
        if both[start:end].sum() < LEAST_S * 100:
            continue
        only = None if places is None else places.only(start, end, both[start:end])
        if only is not None:
            part = slice(start, end)
            owned[only, part] |= both[part]
            owned[1 - only, part] &= ~both[part]
            continue
        if together[start:end].sum() > TWO_SHARE * both[start:end].sum():
            continue
        apart = voices.apart(start, end, both[start:end])
        if voices.are_two(apart[both[start:end]]):
            continue
        parted = longer(voices.surely_two(apart), APART_LEAST_CELLS)
        two[start:end] |= widened(parted, APART_SMEAR_CELLS, APART_SMEAR_CELLS)
        if answers and start - answers[-1][-1][1] < ANSWER_BRIDGE_S * 100:
            answers[-1].append((start, end))
        else:
            answers.append([(start, end)])
    usual_db = _usual_spectra(bands_db, own) if answers else None
    for parts in answers:
        inside = np.concatenate([np.arange(start, end) for start, end in parts])
        held = inside[both[inside]]
        witness = 0.0
        if middle_db is not None:
            first, second = (voice_power(bands_db[mic, held]) for mic in (0, 1))
            apart_db = float(np.median(power_db(first) - power_db(second))) - middle_db
            witness += float(np.clip(apart_db, -LEVEL_DB, LEVEL_DB))
        if usual_db is not None:
            witness += _by_spectrum(bands_db[:, held], usual_db)
        witness += _by_turns(own, parts[0][0], parts[-1][1])
        if witness != 0:
            owner = int(witness < 0)
            theirs = inside[~(two & both)[inside]]
            owned[owner, theirs] |= own[1 - owner, theirs]
            owned[1 - owner, theirs] = False
    return owned


def _parting(
    bands_db: np.ndarray, own: Mask, together: Mask, hidden: Callable[[Mask], Mask] | None
) -> Mask:
    """Return where two places show and the levels part as well, ``(cells,)``.

    The beats of a vowel's pitch may lie where the other person's place is. Its level then differs
    between the microphones as it always does.
    """
    if not together.any():
        return together
    pause = ~(own[0] | own[1])
    voices = TwoVoices(bands_db, alone(own | together), pause & ~together)
    if not voices.tells():
        return together
    parting = together.copy()
    unheard = None if hidden is None else hidden(together)
    for start, end in zip(*runs_of(together), strict=True):
        apart = voices.apart(start, end, together[start:end])
        known = apart[np.isfinite(apart)]
        # Both wearers are heard over the other's leak in some of it, if both speak.
        shares = own[:, start:end].mean(axis=1)
        long = end - start >= ASSENT_CELLS
        if long and unheard is not None and _is_silent(shares, unheard[:, start:end]).any():
            parting[start:end] = False
            continue
        least = ONE if shares.min() >= HEARD_SHARE else TWO
        if not len(known) or float(np.median(known)) < least:
            parting[start:end] = False
    return parting


def _is_silent(shares: Powers, hidden: Mask) -> Mask:
    """Return who is neither heard in a stretch nor could hide in it, ``(2,)``."""
    silent: Mask = (shares < HEARD_SHARE) & (hidden.mean(axis=1) < HIDDEN_SHARE)
    return silent


def _usual_spectra(bands_db: np.ndarray, own: Mask) -> np.ndarray | None:
    """Return each wearer's spectrum in their own microphone, ``(2, bands)`` in dB, if known."""
    masks = [own[mic] & ~widened(own[1 - mic], 20, 40) for mic in (0, 1)]
    if min(mask.sum() for mask in masks) < LEAST_KNOWN_CELLS:
        return None
    return np.stack([mean_db(bands_db[mic], masks[mic]) for mic in (0, 1)])


def _by_spectrum(held_db: np.ndarray, usual_db: np.ndarray) -> float:
    """Say in whose microphone the voice has its wearer's usual spectrum: + the first's, - else."""
    every = np.ones(held_db.shape[1], bool)
    spread = [float((mean_db(held_db[mic], every) - usual_db[mic]).std()) for mic in (0, 1)]
    return float(np.clip(spread[1] - spread[0], -SPECTRUM_DB, SPECTRUM_DB))


def _by_turns(own: Mask, start: int, end: int) -> float:
    """Say whose turn it is: + the first person's, - the second's, 0 if unclear."""
    beside = round(BESIDE_S * 100)
    spoken = own[:, max(start - beside, 0) : start].sum(axis=1)
    spoken = spoken + own[:, end : end + beside].sum(axis=1)
    if spoken.max() < CLEARLY * max(spoken.min(), 1):
        return 0.0
    return TURNS_DB if np.argmin(spoken) == 0 else -TURNS_DB
