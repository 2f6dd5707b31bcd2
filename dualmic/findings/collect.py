"""All findings of one take: a new family of problems is one line here."""

from dualmic.findings import background, changes, damage, pairing, sounds, talk
from dualmic.findings.base import Finding, Limits
from dualmic.hearing import Hearing
from dualmic.stack import let_go

SHORTEST_S = 1.0  # our choice: in less there is no voice, background or level to judge


def all_findings(
    hearing: Hearing, limits: Limits, channels: tuple[int, int], *, one_mic: bool = False
) -> list[Finding]:
    """Return every finding, worst first and then in order of time.

    Args:
        hearing: the take, measured and listened to.
        limits: the strictest limits of the deliveries asked for.
        channels: channels (from 0) of the interviewer's and the subject's microphone.
        one_mic: both people share one microphone: nothing that compares two is asked.

    """
    found = [
        *damage.clipping(hearing, limits),
        *damage.dropouts(hearing, limits),
        *damage.bad_samples(hearing, channels),
        *damage.dc_offset(hearing),
    ]
    if hearing.measured.duration_s >= SHORTEST_S:
        found += _of_sound(hearing, limits, one_mic=one_mic)
    order = {"fail": 0, "warn": 1, "note": 2}
    return sorted(found, key=lambda f: (order[f.severity], f.start_s, f.kind, f.mic or 0))


def _of_sound(hearing: Hearing, limits: Limits, *, one_mic: bool) -> list[Finding]:
    """Return what takes more than single samples to tell."""
    found = []
    for find in (
        background.noise,
        background.low_level,
        background.hum,
        changes.changes,
        sounds.wind,
        sounds.clicks,
    ):
        found += find(hearing, limits)
        let_go()
    if not one_mic:
        same = pairing.dual_mono(hearing)
        found += pairing.mic_dead(hearing)
        found += same
        found += pairing.polarity(hearing)
        place = [] if same else talk.one_place(hearing)
        found += place
        let_go()
        if not place:
            found += sounds.rustle(hearing, limits)
        if not same and not place:
            found += pairing.crosstalk(hearing, limits)
            found += talk.both_talking(hearing)
    return found
