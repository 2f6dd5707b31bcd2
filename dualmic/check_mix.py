"""One finished mix, from its file to its record: what ``--as mix`` does.

The record is that of a take with ``mode`` ``"mix"``: no microphones, no turns, no verdict; the
deliveries hold what was judged, and ``set_up`` what would make each of them pass.
"""

from collections.abc import Sequence
from pathlib import Path

from msgspec.structs import replace

from dualmic.delivery_words import in_words
from dualmic.measure import Progress
from dualmic.mix import MixFacts, judge_mix
from dualmic.mix_measure import measure_mix
from dualmic.record import (
    SCHEMA,
    Channel,
    Delivery,
    Overview,
    Problem,
    Roles,
    TakeRecord,
)
from dualmic.recording import Ending, RecordingInfo, open_recording
from dualmic.spec import Spec
from dualmic.take import CheckOptions, described, load_specs, method
from dualmic.timecode import at

CHANNEL_NAMES = {
    "mono": ["Mono"],
    "stereo": ["Left", "Right"],
    "5.0": ["Left", "Right", "Centre", "Left surround", "Right surround"],
    "5.1": ["Left", "Right", "Centre", "LFE", "Left surround", "Right surround"],
}


def check_mix(
    paths: Sequence[Path],
    options: CheckOptions | None = None,
    progress: Progress | None = None,
) -> TakeRecord:
    """Measure and judge one finished mix.

    Args:
        paths: its file; or its channels' files in order; or its parts in time (``joined``).
        options: of these, ``specs`` and ``joined`` count.
        progress: called with the seconds measured so far.

    Raises:
        RecordingError: a file cannot be read as sound.
        UsageError: the number of channels is that of no mix.
        SettingsError: a delivery spec is wrong.

    """
    options = options or CheckOptions()
    specs = load_specs(options.specs)
    with open_recording(
        paths, joined=options.joined, timecode_rate=options.settings.timecode_rate
    ) as recording:
        info = recording.info
        facts = measure_mix(
            recording,
            lambda span: progress(span.start_s + span.frames / span.rate_hz) if progress else None,
        )
        ending = recording.ending()
    deliveries = {spec.name: judge_mix(spec, facts) for spec in specs}
    return TakeRecord(
        schema=SCHEMA,
        mode="mix",
        method=method(specs, options),
        take=described(info, ending),
        channels=_channels(info, facts),
        roles=Roles(interviewer=None, subject=None, decided_by="a finished mix"),
        kind_of_take="interview" if facts.speech_s else "nobody speaks",
        verdict=None,
        mics={},
        programme=facts.programme,
        crosstalk=None,
        turns=[],
        problems=_problems(specs, facts, info, ending),
        at_risk=[],
        deliveries=deliveries,
        set_up=_to_do(deliveries),
        overview=Overview(step_s=1.0),
    )


def _channels(info: RecordingInfo, facts: MixFacts) -> list[Channel]:
    names = CHANNEL_NAMES[facts.layout]
    return [
        Channel(number, channel.file, channel.track, channel.name or name, "unused")
        for number, (channel, name) in enumerate(zip(info.channels, names, strict=True), start=1)
    ]


def _problems(
    specs: Sequence[Spec], facts: MixFacts, info: RecordingInfo, ending: Ending
) -> list[Problem]:
    """Collect what has a place in the file: the highest peak, broken data, an end cut off."""
    found = []
    peak = facts.programme.true_peak_dbtp
    ceiling = min(spec.true_peak.max_dbtp for spec in specs)
    if peak is not None and facts.true_peak_at_s is not None and round(peak, 2) > ceiling:
        heard = f"The highest peak of the mix, {peak - ceiling:.1f} dB over what is allowed."
        advice = "Lower the mix, or hold its peaks down, and look for further ones."
        problem = _problem("peak_over", facts.true_peak_at_s, info, heard, advice)
        found.append(
            replace(
                problem,
                channel=facts.true_peak_channel,
                value=round(peak, 2),
                limit=ceiling,
                unit="dBTP",
            )
        )
    if facts.bad_samples:
        heard = f"The file holds {facts.bad_samples} values that are no numbers."
        found.append(_problem("bad_samples", 0.0, info, heard, "Export the mix again."))
    if ending.truncated:
        heard, advice = "The file ends before its header says.", "Copy or export the mix again."
        found.append(_problem("truncated", ending.duration_s, info, heard, advice))
    return [replace(problem, id=number) for number, problem in enumerate(found, start=1)]


def _problem(kind: str, at_s: float, info: RecordingInfo, heard: str, advice: str) -> Problem:
    timecode = at(info.timecode, at_s)
    return Problem(
        id=0,
        kind=kind,
        mic=None,
        channel=None,
        start_s=round(at_s, 4),
        end_s=round(at_s, 4),
        start_timecode=timecode,
        end_timecode=timecode,
        count=1,
        severity="fail",
        value=None,
        limit=None,
        unit=None,
        heard=heard,
        advice=advice,
    )


def _to_do(deliveries: dict[str, Delivery]) -> list[str]:
    """Say what would make each delivery pass, one sentence once."""
    sentences: dict[str, list[str]] = {}
    for name, delivery in deliveries.items():
        for check in delivery.checks:
            words = in_words(check)
            if words:
                sentences.setdefault(words, []).append(name)
    return [f"For {' and '.join(names)}: {words}" for words, names in sentences.items()]
