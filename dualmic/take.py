"""One take, from its files to its record: the library's entry for everything the tool does.

>>> from pathlib import Path
>>> from dualmic.take import check_take
>>> record = check_take([Path("take.wav")])          # doctest: +SKIP
>>> record.verdict                                   # doctest: +SKIP
'usable'
"""

import hashlib
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import msgspec

import dualmic
from dualmic import delivery
from dualmic.at_risk import lines_at_risk, turns_of, verdict
from dualmic.describe import crosstalk_of, mic_of, overview_of, programme_of
from dualmic.errors import SettingsError
from dualmic.findings import Finding, all_findings
from dualmic.findings.base import Known
from dualmic.findings.damage import flat_ms_by_turn
from dualmic.findings.dropouts import dropout_ms_by_turn
from dualmic.findings.of_files import with_file_findings
from dualmic.findings.turned import hear_two
from dualmic.hearing import Hearing, hear
from dualmic.limits import lenient_fail_db, strictest_limits
from dualmic.measure import Progress, measure
from dualmic.mix import looks_like_a_mix
from dualmic.one_mic import seats, with_stand_in, without_stand_in
from dualmic.problems import to_problems
from dualmic.proof_cache import cached_proof, libraries
from dualmic.record import (
    MIC_ROLES,
    SCHEMA,
    Channel,
    KindOfTake,
    Method,
    Programme,
    Roles,
    Take,
    TakeRecord,
    Turn,
)
from dualmic.recording import Ending, RecordingInfo, open_recording
from dualmic.roles import decide_roles
from dualmic.safety import find_copies, with_copies
from dualmic.set_up import advice
from dualmic.settings import Settings
from dualmic.spec import Spec
from dualmic.specs_file import load_spec, shipped_names
from dualmic.stack import let_go

DEFAULT_SPECS = ("podcast", "film")
TOO_SHORT_S = 15.0
NOBODY_S = 0.5  # our choice: less than half a second of speech in a take is a noise taken for one
ONE_PERSON_S = 1.5
FORK_S = 3600.0  # our choice: what meters keep of longer takes lies in files of their own process
ONE_SIGNAL_SHARE = 0.9  # our choice: what is left is too little to tell two people apart in


@dataclass(frozen=True)
class CheckOptions:
    """What is asked of a check.

    ``interviewer`` and ``subject`` are channels from 1; ``specs`` are names of shipped specs or
    paths of one's own; ``joined`` says that several files are parts of one take in time;
    ``surely_a_take`` that nobody need ask whether it is a finished mix. ``workers`` is how many
    share the measuring, one or two, and ``may_fork`` says that one may be a copy of this process;
    the result is the same.
    """

    interviewer: int | None = None
    subject: int | None = None
    specs: tuple[str, ...] = DEFAULT_SPECS
    one_mic: bool = False
    joined: bool = False
    surely_a_take: bool = False
    settings: Settings = field(default_factory=Settings)
    block_frames: int | None = None
    workers: int = 2
    may_fork: bool = False


def check_take(
    paths: Sequence[Path],
    options: CheckOptions | None = None,
    progress: Progress | None = None,
) -> TakeRecord:
    """Measure and judge one take.

    Args:
        paths: its file, or the files of its two microphones, or its parts in order.
        options: what is asked for.
        progress: called with the seconds of the take measured so far.

    Raises:
        RecordingError: a file cannot be read as sound.
        UsageError: a channel is asked for that is not there, or there is only one.
        SettingsError: a delivery spec is wrong.

    """
    options = options or CheckOptions()
    specs = load_specs(options.specs)
    rate = options.settings.timecode_rate
    with open_recording(paths, joined=options.joined, timecode_rate=rate) as recording:
        info = recording.info
        channels, roles = decide_roles(
            info,
            options.interviewer,
            options.subject,
            options.settings,
            one_mic=options.one_mic,
        )
        blocks = (
            recording.blocks(options.block_frames) if options.block_frames else recording.blocks()
        )
        count = len(info.channels)
        mics = seats(roles, count)
        may_fork = options.may_fork and _is_short(info)
        if options.one_mic:
            blocks, count = with_stand_in(blocks), count + 1
        measured = measure(
            blocks,
            info.sample_rate_hz,
            count,
            mics,
            bit_depth=info.bit_depth if not (info.is_float or info.is_lossy) else None,
            is_float=info.is_float and not info.is_lossy,
            progress=progress,
            workers=options.workers,
            may_fork=may_fork,
        )
        ending = recording.ending()
    known: Known = {}
    if options.one_mic:
        hearing = hear(without_stand_in(measured), one_mic=True)
    else:
        hearing, known = hear_two(measured, may_fork=may_fork)
    return _judged(hearing, known, info, ending, channels, roles, specs, options)


def _is_short(info: RecordingInfo) -> bool:
    frames = info.promised_frames
    return frames is not None and frames < FORK_S * info.sample_rate_hz


def load_specs(names: Sequence[str]) -> list[Spec]:
    """Load the delivery specs asked for.

    Raises:
        SettingsError: one is wrong, or two have the same name and could not be told apart.

    """
    specs = [load_spec(name) for name in dict.fromkeys(names)]
    seen: set[str] = set()
    for spec in specs:
        if spec.name in seen:
            raise SettingsError(
                f"Two delivery specs are called {spec.name}: rename one of the files."
            )
        seen.add(spec.name)
    return specs


def _judged(
    hearing: Hearing,
    known: Known,
    info: RecordingInfo,
    ending: Ending,
    channels: list[Channel],
    roles: Roles,
    specs: list[Spec],
    options: CheckOptions,
) -> TakeRecord:
    places = enumerate(zip(MIC_ROLES, (roles.interviewer, roles.subject), strict=True))
    mains_hz = options.settings.mains_hz
    mics = {role: mic_of(hearing, k, channel, mains_hz) for k, (role, channel) in places if channel}
    let_go()
    limits = replace(strictest_limits(specs, mics, info), mains_hz=mains_hz)
    found = all_findings(
        hearing,
        limits,
        seats(roles, len(info.channels)),
        one_mic=options.one_mic,
        known=known,
    )
    if options.one_mic:
        found = [finding for finding in found if finding.mic != 0]
    one_signal = _carry_one_signal(found, hearing.measured.duration_s)
    one_place = any(finding.kind == "one_place" for finding in found)
    told_apart = not (options.one_mic or one_signal or one_place)
    kind = kind_of_take(hearing, told_apart=told_apart)
    found = with_file_findings(found, ending, roles)
    turns = turns_of(hearing)
    copies = find_copies(hearing.measured)
    channels = with_copies(channels, copies)
    at_risk = lines_at_risk(hearing, found, turns, channels, info.name, copies)
    problems = to_problems(found, roles, info.timecode)
    crosstalk = None if options.one_mic else crosstalk_of(hearing)
    facts = delivery.TakeFacts(
        mics=mics,
        sample_rate_hz=info.sample_rate_hz,
        bit_depth=info.bit_depth,
        is_float=info.is_float,
        is_lossy=info.is_lossy,
        one_mic=options.one_mic,
        one_signal=one_signal,
        kind_of_take=kind,
        crosstalk=crosstalk,
        problems=problems,
        turns=turns,
        at_risk=at_risk,
        speech_peak_dbfs=dict(zip(MIC_ROLES, hearing.speech_peak_dbfs, strict=True)),
        flat_ms_by_turn=_by_turn(turns, flat_ms_by_turn(hearing)),
        dropout_ms_by_turn=_by_turn(turns, dropout_ms_by_turn(hearing, found)),
    )
    speaks = kind in ("interview", "one person")
    let_go()
    programme = programme_of(hearing.measured)
    let_go()
    doubt = None if options.surely_a_take else _mix_doubt(hearing, programme)
    swapped = _doubt(roles, hearing, kind) if told_apart else None
    record = TakeRecord(
        schema=SCHEMA,
        mode="take",
        method=method(specs, options),
        take=described(info, ending),
        channels=channels,
        roles=msgspec.structs.replace(roles, doubt=doubt or swapped),
        kind_of_take=kind,
        verdict=verdict(hearing, found, at_risk, turns, lenient_fail_db(specs)) if speaks else None,
        mics={str(role): mic for role, mic in mics.items()},
        programme=programme,
        crosstalk=crosstalk,
        turns=turns,
        problems=problems,
        at_risk=at_risk,
        deliveries={spec.name: delivery.judge_take(spec, facts) for spec in specs},
        set_up=advice(hearing, found, roles),
        overview=overview_of(hearing.measured, one_mic=options.one_mic),
    )
    # Whole numbers become floats where the record says float, so that it reads back as it is.
    return msgspec.convert(msgspec.to_builtins(record), TakeRecord)


def kind_of_take(hearing: Hearing, *, told_apart: bool = True) -> KindOfTake:
    """Say what kind of recording it is before judging it.

    Through one microphone, two in one place, or two channels that carry the same, nobody is
    ``told_apart``: one person may be talking, or two.
    """
    speech = [hearing.speech_s(mic) for mic in (0, 1)]
    if sum(speech) < NOBODY_S:
        return "nobody speaks"
    if sum(speech) < TOO_SHORT_S:
        return "too short"
    alone = min(speech) < ONE_PERSON_S and not hearing.dead.any() and told_apart
    return "one person" if alone else "interview"


def _carry_one_signal(found: Sequence[Finding], duration_s: float) -> bool:
    """Whether both channels carry the same microphone nearly throughout."""
    same_s = sum(f.end_s - f.start_s for f in found if f.kind == "dual_mono")
    return same_s > ONE_SIGNAL_SHARE * duration_s


def _doubt(roles: Roles, hearing: Hearing, kind: KindOfTake) -> str | None:
    """Ask whether the channels are the other way round if channel 1 talks most of the time."""
    first, second = hearing.speech_s(0), hearing.speech_s(1)
    if kind != "interview" or hearing.dead.any() or first < 1.5 * second:
        return None
    share = round(100 * first / (first + second))
    return (
        f"Channel {roles.interviewer} talks most of the time ({share} %): is that the subject? "
        f"If so, check again with --interviewer {roles.subject} --subject {roles.interviewer}."
    )


def _mix_doubt(hearing: Hearing, programme: Programme) -> str | None:
    """Ask whether this is a finished mix where it obviously is one."""
    targets = (load_spec(name).programme.target_lufs for name in shipped_names())
    width = hearing.measured.width
    return looks_like_a_mix(width, programme.integrated_lufs, programme.true_peak_dbtp, targets)


def _by_turn(turns: Sequence[Turn], values: Sequence[float]) -> dict[int, float]:
    return {turn.id: value for turn, value in zip(turns, values, strict=True) if value}


def described(info: RecordingInfo, ending: Ending) -> Take:
    """Return the take's own description for the record."""
    return Take(
        name=info.name,
        files=list(ending.files),
        duration_s=round(ending.duration_s, 6),
        sample_rate_hz=info.sample_rate_hz,
        bit_depth=info.bit_depth,
        container=info.container,
        codec=info.codec,
        timecode=info.timecode,
        recorded_at=info.recorded_at,
        texts=info.texts,
        notes=list(ending.notes),
    )


def method(specs: Sequence[Spec], options: CheckOptions) -> Method:
    """Say what measured: version, libraries, and a checksum of everything that was set."""
    settings = msgspec.json.encode(
        [list(specs), options.one_mic, options.interviewer, options.subject, options.settings]
    )
    digest = hashlib.sha256(settings).hexdigest()
    return Method(dualmic.__version__, digest, dict(libraries()), cached_proof())
