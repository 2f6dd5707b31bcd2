"""Lines at risk: which answers are damaged, and whether another channel holds a usable copy.

A turn is at risk if its speaker's own microphone is damaged under it, by lost or broken sound or by
enough of sounds that do not belong; an answer also where the interviewer talks over it. The other
microphone hears the same words as a leak; that copy can stand in where it is heard from near,
stands far enough above that microphone's noise, and is whole itself. A poorer one is named all the
same.
"""

from collections.abc import Sequence

import numpy as np

from dualmic.findings.base import Finding
from dualmic.hearing import Hearing
from dualmic.meters.masks import cells_of
from dualmic.meters.noise import SILENCE_POWER, NoiseFloor, noise_floor
from dualmic.meters.spectrum import FRAMES_PER_S, frame_mask
from dualmic.record import MIC_ROLES, Channel, Copy, LineAtRisk, Turn, Verdict
from dualmic.safety import SafeCopy, copy_is_whole
from dualmic.tiles import Floats, Powers

SUBJECT = MIC_ROLES.index("subject")

# Our choices. A copy has to stand as clear of the noise as a podcast asks without a warning, and
# has to be heard from near: a voice from across the table is a rescue, not a stand-in. With 12 dB
# between the people's level differences, each leaks about 6 dB down, as from twice the distance.
USABLE_COPY_DB = 18.0
NEAR_APART_DB = 12.0
# Our choices: with half of the answers' time lost, or the subject under the failing limit of every
# delivery, there is no take left to speak of. A gap of a moment costs the sentence around it: so
# much before and after it is lost, not the whole answer.
LOST_SHARE, SENTENCE_S = 0.5, 2.5
# Our choices: from how much on a sound that does not belong, in one turn and on its speaker's own
# microphone, is damage: seconds of wind, of cloth and of the other person's words, or cracks.
LEAST_DAMAGE = {"wind": 0.5, "rustle": 0.5, "both_talking": 0.8, "click": 3.0}
# Our choice. Cloth, or a burst of noise that passes for it, which stands so far over all that
# the other microphone bears out buries a word, however short it is.
BURIED_DB, BURIED_S = 15.0, 0.2
# What every microphone hears, so that no copy is without it: both voices, and what goes by.
EVERYWHERE = {"both_talking", "noise"}


def turns_of(hearing: Hearing) -> list[Turn]:
    """Return the record's turns, numbered from 1."""
    return [
        Turn(number, MIC_ROLES[mic], start_s, end_s)
        for number, (mic, start_s, end_s) in enumerate(hearing.turns, start=1)
    ]


def lines_at_risk(
    hearing: Hearing,
    findings: Sequence[Finding],
    turns: Sequence[Turn],
    channels: Sequence[Channel],
    take: str,
    copies: Sequence[SafeCopy] = (),
) -> list[LineAtRisk]:
    """Return every damaged turn with its reasons and the best copy."""
    spoiling = [
        f for f in findings if f.spoils or (f.kind in LEAST_DAMAGE and f.severity != "note")
    ]
    lines = []
    for turn in turns:
        mic = MIC_ROLES.index(turn.speaker)
        because = _reasons(spoiling, mic, turn)
        if not because:
            continue
        if EVERYWHERE & set(because):
            lines.append(LineAtRisk(turn.id, turn.speaker, turn.start_s, turn.end_s, because, None))
            continue
        found = [_safe_copy(hearing, c, turn, take) for c in copies if c.mic == mic]
        leaked = _leaked_copy(hearing, spoiling, mic, turn, channels, take)
        best = max(
            [*found, leaked] if leaked else found,
            key=lambda copy: (copy.usable, copy.speech_to_noise_db or -99.0),
            default=None,
        )
        lines.append(LineAtRisk(turn.id, turn.speaker, turn.start_s, turn.end_s, because, best))
    return lines


def _reasons(spoiling: Sequence[Finding], mic: int, turn: Turn) -> list[str]:
    """Return the kinds of damage that a turn has on one microphone, or on both together."""
    amounts: dict[str, float] = {}
    for f in spoiling:
        # Talk at once has no microphone of its own: it is the answer that cannot be cut.
        ours = f.mic == mic or (f.mic is None and mic == SUBJECT)
        if ours and f.start_s < turn.end_s and f.end_s > turn.start_s:
            inside_s = min(f.end_s, turn.end_s) - max(f.start_s, turn.start_s)
            amount = float(f.count) if f.kind == "click" else inside_s
            if f.kind == "rustle" and (f.value or 0.0) >= BURIED_DB:
                amount *= LEAST_DAMAGE["rustle"] / BURIED_S
            amounts[f.kind] = amounts.get(f.kind, 0.0) + amount
    return [kind for kind, amount in amounts.items() if amount >= LEAST_DAMAGE.get(kind, 0.0)]


def _safe_copy(hearing: Hearing, copy: SafeCopy, turn: Turn, take: str) -> Copy:
    """Judge a channel that holds the same microphone at another gain."""
    others = hearing.measured.others
    assert others is not None
    frames = others.spectra.audible.shape[1]
    pauses = frame_mask(hearing.activity.pause, frames)
    weighted = others.spectra.a_weighted[copy.row]
    floor = noise_floor(others.spectra.audible[copy.row], weighted, pauses)
    level, to_noise = _quality(others.levels.power[copy.row], weighted, floor, turn)
    whole = copy_is_whole(hearing.measured, copy, turn.start_s, turn.end_s)
    usable = whole and to_noise is not None and to_noise >= USABLE_COPY_DB
    return Copy(take, copy.channel, to_noise, level, usable)


def _leaked_copy(
    hearing: Hearing,
    spoiling: Sequence[Finding],
    mic: int,
    turn: Turn,
    channels: Sequence[Channel],
    take: str,
) -> Copy | None:
    """Judge the other microphone's recording of a turn."""
    other = 1 - mic
    channel = next((c.channel for c in channels if c.role == MIC_ROLES[other]), None)
    if channel is None:
        return None
    level, to_noise = _quality(
        hearing.measured.levels.power[other],
        hearing.measured.spectra.a_weighted[other],
        hearing.floors[other],
        turn,
    )
    start, end = round(turn.start_s * 100), round(turn.end_s * 100)
    whole = not _reasons(spoiling, other, turn)
    alone = not hearing.activity.own[other][start:end].mean() > 0.1
    clear = to_noise is not None and to_noise >= USABLE_COPY_DB
    return Copy(take, channel, to_noise, level, bool(clear and whole and alone and _near(hearing)))


def _quality(
    power: Powers, weighted: Floats, floor: NoiseFloor | None, turn: Turn
) -> tuple[float | None, float | None]:
    """Return level in dBFS and speech-to-noise in dB of a turn on some channel."""
    start, end = round(turn.start_s * 100), round(turn.end_s * 100)
    step = 100 // FRAMES_PER_S
    part = power[start:end]
    heard = weighted[start // step : max(end // step, start // step + 1)]
    if not len(part) or not len(heard) or part.mean() <= SILENCE_POWER:
        return None, None
    level = round(float(10 * np.log10(part.mean())), 1)
    if floor is None:
        return level, None
    noise = 10 ** (floor.dba / 10)
    ratio = (float(heard.mean(dtype=np.float64)) - noise) / noise
    return level, round(float(10 * np.log10(max(ratio, 1e-3))), 1)


def _near(hearing: Hearing) -> bool:
    """Whether each microphone hears the other person almost as it hears its wearer."""
    high, low = hearing.activity.clusters_db
    return high is not None and low is not None and high - low <= NEAR_APART_DB


def verdict(
    hearing: Hearing,
    findings: Sequence[Finding],
    lines: Sequence[LineAtRisk],
    turns: Sequence[Turn],
    fail_below_db: float | None,
) -> Verdict:
    """Return the verdict on a take in which people speak; the subject's answers decide it.

    Args:
        hearing: the take.
        findings: what was found in it.
        lines: its lines at risk.
        turns: its turns.
        fail_below_db: the most lenient failing limit of speech-to-noise among the deliveries.

    """
    answers_s = sum(t.end_s - t.start_s for t in turns if t.speaker == "subject")
    lost = [
        x for x in lines if x.speaker == "subject" and not (x.covered_by and x.covered_by.usable)
    ]
    lost_s = sum(_lost_s(findings, line) for line in lost)
    to_noise = hearing.speech_to_noise_db[1]
    buried = to_noise is not None and fail_below_db is not None and to_noise < fail_below_db
    # What comes and goes leaves answers between, however much it adds to the mean of the pauses.
    buried &= any((f.kind, f.mic) == ("noise", SUBJECT) and f.severity != "note" for f in findings)
    if buried or (answers_s > 0 and lost_s > LOST_SHARE * answers_s) or hearing.dead[1].all():
        return "not usable"
    return "usable but for these answers" if lost else "usable"


def _lost_s(findings: Sequence[Finding], line: LineAtRisk) -> float:
    """Return how much of an answer is lost with the sentences around what is lost or broken."""
    spans = [
        (f.start_s - SENTENCE_S, f.end_s + SENTENCE_S)
        for f in findings
        if f.spoils and f.kind in line.because and f.mic in (None, SUBJECT)
    ]
    first, end = round(line.start_s * 100), round(line.end_s * 100)
    return float(cells_of(spans, end)[first:].sum()) / 100
