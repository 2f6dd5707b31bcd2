"""Plausible take records for layout tests: any length, any number of problems, awkward names."""

import random

import numpy as np

from dualmic import record as r
from dualmic.report.codes import KINDS

LONG_NAME = "LOCK-KEEPER_oral-history_" + "very-long-roll-and-scene-description_" * 5 + "A001"
RIGHT_TO_LEFT_NAME = "מקלט־השער ۱۲ الحارس"
CJK_NAME = "水門の番人_取材01"

_ADVICE = {
    "damage": "Turn the subject's input down 6 dB and listen to one loud laugh.",
    "level": "Check, in this order: pack, receiver's output, camera's input.",
    "background": "Move away from the sluice or wait until the pumps stop.",
    "between": "Sit a little further apart, or turn the microphones away from each other.",
}


def build(
    *,
    problems: int = 3,
    duration_s: float = 1800.0,
    name: str = "LOCK_0012",
    timecode: bool = True,
    subject_name: str | None = None,
    mode: str = "take",
    seed: int = 7,
) -> r.TakeRecord:
    """Return a record with ``problems`` problems spread over ``duration_s`` seconds."""
    rng = random.Random(seed)
    turns = _turns(rng, duration_s)
    found = _problems(rng, problems, duration_s, timecode)
    at_risk = _at_risk(turns, found)
    fails = any(line.covered_by is None and line.speaker == "subject" for line in at_risk)
    return r.TakeRecord(
        schema=r.SCHEMA,
        mode=mode,
        method=r.Method(
            version="0.1.0",
            settings_sha256="5f2c" * 16,
            libraries={"numpy": "2.1.0", "soundfile": "0.12.1", "av": "14.0.0"},
            proof=r.Proof("passed", "2026-11-25", 42),
        ),
        take=r.Take(
            name=name,
            files=[
                r.SourceFile(
                    f"/media/card/{name}.MOV", 1_234_567_890, 0.0, duration_s, "9a0364b9" * 4
                )
            ],
            duration_s=duration_s,
            sample_rate_hz=48000,
            bit_depth=24,
            container="QuickTime",
            codec="PCM 24-bit",
            timecode=r.Timecode("10:11:12:00", "25") if timecode else None,
            recorded_at="2026-05-04T10:11:12",
        ),
        channels=[
            r.Channel(1, 0, 1, "LAV A", "interviewer"),
            r.Channel(2, 0, 2, "LAV B", "subject"),
        ],
        roles=r.Roles(1, 2, "the default order", None, None, subject_name),
        kind_of_take="interview",
        verdict=None if mode == "mix" else "usable but for these answers" if fails else "usable",
        mics={"interviewer": _mic(1, -25.1, 21.4), "subject": _mic(2, -30.8, 16.2)},
        programme=r.Programme(-26.4, -18.9, -21.2, 9.8, -2.4),
        crosstalk=_crosstalk(duration_s),
        turns=turns,
        problems=found,
        at_risk=at_risk,
        deliveries={
            "podcast": _delivery("podcast", "fail" if fails else "warn"),
            "film": _delivery("film", "fail"),
        },
        set_up=[
            "Turn the subject's input up 6 dB.",
            "Keep the two of you a little further apart.",
        ]
        if problems
        else [],
        overview=_overview(turns, found, duration_s),
    )


def _turns(rng: random.Random, duration_s: float) -> list[r.Turn]:
    turns: list[r.Turn] = []
    at = min(1.2, duration_s / 10)
    while at < duration_s - 0.5:
        asks = len(turns) % 2 == 0
        length = rng.uniform(2, 9) if asks else rng.uniform(8, 60)
        end = min(at + length, duration_s - 0.3)
        turns.append(r.Turn(len(turns) + 1, "interviewer" if asks else "subject", at, end))
        at = end + rng.uniform(0.3, 1.5)
    return turns


def _problems(rng: random.Random, count: int, duration_s: float, timecode: bool) -> list[r.Problem]:
    kinds = list(KINDS)
    found = []
    for number in range(count):
        kind = "clipping" if number == 0 else rng.choice(kinds)
        mic = "subject" if number == 0 else rng.choice(["subject", "subject", "interviewer"])
        if KINDS[kind].family == "between" and kind != "crosstalk":
            mic = None
        start = rng.uniform(0, duration_s * 0.97)
        end = min(duration_s, start + rng.choice([0.004, 0.02, 0.3, 2.0, 12.0]))
        found.append((start, end, kind, mic))
    found.sort()
    return [
        r.Problem(
            id=number,
            kind=kind,
            mic=mic,
            channel={"interviewer": 1, "subject": 2, None: None}[mic],
            start_s=start,
            end_s=end,
            start_timecode=_timecode(start) if timecode else None,
            end_timecode=_timecode(end) if timecode else None,
            count=rng.choice([1, 1, 3]),
            severity="fail" if kind == "clipping" else rng.choice(["fail", "warn", "note", "note"]),
            value=round(rng.uniform(1, 30), 1),
            limit=10.0,
            unit="ms" if kind in {"clipping", "dropout"} else "dB",
            heard=f"{KINDS[kind].title[0].upper()}{KINDS[kind].title[1:]} in the middle of a word.",
            advice=_ADVICE[KINDS[kind].family],
        )
        for number, (start, end, kind, mic) in enumerate(found, 1)
    ]


def _timecode(at_s: float) -> str:
    frames = round((10 * 3600 + 11 * 60 + 12 + at_s) * 25)
    seconds, frame = divmod(frames, 25)
    return f"{seconds // 3600:02d}:{seconds // 60 % 60:02d}:{seconds % 60:02d}:{frame:02d}"


def _at_risk(turns: list[r.Turn], problems: list[r.Problem]) -> list[r.LineAtRisk]:
    lines = []
    for turn in turns:
        because = sorted(
            {
                p.kind
                for p in problems
                if p.severity == "fail"
                and p.mic == turn.speaker
                and p.start_s < turn.end_s
                and p.end_s > turn.start_s
            }
        )
        if because:
            copy = r.Copy("LOCK_0012", 1, 14.5, -38.2, True) if turn.id % 3 == 0 else None
            lines.append(
                r.LineAtRisk(turn.id, turn.speaker, turn.start_s, turn.end_s, because, copy)
            )
    return lines


def _mic(channel: int, speech_lufs: float, speech_to_noise_db: float) -> r.Mic:
    return r.Mic(
        channel=channel,
        loudness=r.Loudness(speech_lufs - 1.2, speech_lufs + 8, speech_lufs + 5, 9.4, speech_lufs),
        sample_peak_dbfs=-4.2,
        true_peak_dbtp=-3.9,
        true_peak_at_s=7.3,
        clipped_samples=112 if channel == 2 else 0,
        noise_floor_dbfs=-58.2,
        noise_floor_dba=-66.0,
        noise_p10_dbfs=-60.5,
        noise_p90_dbfs=-54.9,
        speech_to_noise_db=speech_to_noise_db,
        hum=r.Hum(50.02, -71.4, [r.Harmonic(50.02, -74.0), r.Harmonic(100.04, -75.2)])
        if channel == 2
        else None,
        dc_offset=0.0004,
        speech_s=412.0,
    )


def _crosstalk(duration_s: float) -> r.Crosstalk:
    return r.Crosstalk(
        r.Leak(-11.8, False, 3.1, "same", 212.0, [r.LeakSection(0.0, duration_s / 2, -11.2)]),
        r.Leak(-18.0, True, None, None, 98.0, []),
        1.4,
    )


def _delivery(name: str, result: str) -> r.Delivery:
    source = "common practice, no published source"
    checks = [
        r.Check("speech_to_noise", "Voice above the background", "subject", 16.2, 18.0, 10.0,
                -1.8, "dB", "warn", source),
        r.Check("speech_to_noise", "Voice above the background", "interviewer", 21.4, 18.0, 10.0,
                3.4, "dB", "pass", source),
        r.Check("crosstalk", "The interviewer's voice in the subject's microphone", "subject",
                -11.8, -6.0, None, 5.8, "dB", "pass", source),
        r.Check("gain", "Gain the voice needs", "subject", 11.8, 30.0, None, 18.2, "dB", "pass",
                source),
        r.Check("loud_moments", "Loud moments to tame", "subject", None, 10.0, None, None, "dB",
                "not measured", source),
        r.Check("clipping", "Flat tops in the worst answer", "subject", 14.0, 1.0, 10.0, -4.0,
                "ms", "fail", "ITU-R BS.1770-5 for the gain; limit: " + source),
    ]  # fmt: skip
    if name == "film":
        checks = [check for check in checks if check.id != "gain"]
    return r.Delivery(result, {"interviewer": 6.1, "subject": 11.8}, checks)


def _overview(turns: list[r.Turn], problems: list[r.Problem], duration_s: float) -> r.Overview:
    step_s = max(0.1, duration_s / 18000)
    count = max(1, int(duration_s / step_s))
    generator = np.random.default_rng(3)
    at = np.arange(count) * step_s
    floor = -58 + 1.5 * np.sin(at / 97) + generator.normal(0, 0.8, count)
    traces = {}
    for role, own, other in (("interviewer", -26.0, -40.0), ("subject", -31.0, -43.0)):
        rms = floor.copy()
        for turn in turns:
            inside = (at >= turn.start_s) & (at < turn.end_s)
            voice = (own if turn.speaker == role else other) + generator.normal(0, 5, count)
            rms = np.where(inside, np.logaddexp(rms / 4.34, voice / 4.34) * 4.34, rms)
        peak = np.minimum(rms + 9 + generator.gamma(2, 1.5, count), -1.0)
        for problem in problems:
            if problem.mic == role and problem.kind == "clipping":
                inside = (at >= problem.start_s - step_s) & (at <= problem.end_s)
                peak = np.where(inside, 0.0, peak)
        traces[role] = r.Trace(
            [round(float(v), 1) for v in rms], [round(float(v), 1) for v in peak]
        )
    return r.Overview(step_s, traces["interviewer"], traces["subject"])
