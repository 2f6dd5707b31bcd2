"""Making one scene: draw, mix, damage, record, and state the truth."""

from collections.abc import Callable
from typing import Any

import numpy as np
from scipy import signal

from scenes.damage import KINDS
from scenes.dialogue import Dialogue, interview
from scenes.fooled import FOOLERS
from scenes.levels import total_power
from scenes.mix import Mix
from scenes.model import ROLES, SAMPLE_RATE_HZ, Half, Samples, Scene
from scenes.noises import NOISES
from scenes.rooms import Room, draw_room
from scenes.speech import SPEAKERS, Speaker
from scenes.truth import measure, state_truth

# The highest sample of a scene that does not clip.
CEILING = 0.95
# Real voices more often than synthetic ones, and small sets seldom.
_OFTEN = {"game": 4.0, "prompts": 3.0, "synth": 1.5, "data": 0.7}
STAGES = ("source", "link", "recorder")


def make_scene(
    seed: int,
    half: Half = "tuning",
    kinds: tuple[str, ...] = (),
    duration_s: float | None = None,
    fooled: tuple[str, ...] = (),
    **settings: Any,
) -> Scene:
    """Make a scene from a seed; the same arguments give the same samples.

    Args:
        seed: any whole number.
        half: speakers, rooms and noises to draw from.
        kinds: damage to put in, keys of ``KINDS``.
        duration_s: length; 60 to 120 when not given.
        fooled: things that fool a careless detector, keys of ``FOOLERS``.
        settings: fix what would be drawn: ``speakers`` (``"test data"``, or two names), ``noise``
            (key of ``NOISES``), ``speech_to_noise_db``, ``distance_m``, ``t60_s``,
            ``latency_ms``, ``peak_dbfs`` (per role), ``storage``, ``assents``,
            ``interruptions``, ``interviewer_share``, ``one_place``, ``how`` (of the damage's ways).

    """
    rng = np.random.default_rng([seed, int(half == "reporting")])
    chosen = [KINDS[kind] for kind in kinds] + [FOOLERS[name] for name in fooled]
    for kind in chosen:
        settings = {**kind.settings(rng), **settings}
    if duration_s is None:
        duration_s = float(rng.integers(60, 121))
    prepare = [kind.prepare for kind in chosen if kind.prepare]
    mix = _mix(rng, half, duration_s, settings, prepare)
    for stage in STAGES:
        for kind in chosen:
            if stage in kind.stages:
                kind.stages[stage](mix)
        if stage == "source":
            mix.add_up()
            # Before anything that is not linear happens to the parts.
            mix.notes["measured"] = measure(mix)
    for mic in ROLES:
        # Nothing but wanted clipping reaches full scale.
        peak = float(np.nanmax(np.abs(mix.recorded[mic])))
        clips = mic == mix.notes.get("shout", (None,))[0]
        if np.isfinite(peak) and peak > CEILING and not clips:
            mix.recorded[mic] *= np.float32(CEILING / peak)
            mix.output_gain[mic] *= CEILING / peak
    samples = np.stack([mix.recorded[mic] for mic in ROLES], axis=1).astype(np.float32)
    truth = state_truth(mix, {"seed": seed, "half": half, "kinds": kinds, "fooled": fooled})
    return Scene(samples, SAMPLE_RATE_HZ, truth, mix.storage)


def _mix(
    rng: np.random.Generator,
    half: Half,
    duration_s: float,
    settings: dict[str, Any],
    prepare: list[Callable[[np.random.Generator, Dialogue], None]],
) -> Mix:
    speakers = _speakers(rng, half, settings.get("speakers"))
    dialogue = interview(
        rng,
        speakers,
        duration_s,
        assents=settings.get("assents", bool(rng.integers(2))),
        interruptions=settings.get("interruptions", 0),
        interviewer_share=settings.get("interviewer_share", 1.0),
    )
    for change in prepare:
        change(rng, dialogue)
    room = draw_room(
        rng,
        half,
        settings.get("t60_s"),
        settings.get("distance_m"),
        one_place=settings.get("one_place", False),
    )
    latency_ms = settings.get("latency_ms")
    if latency_ms is None:
        wireless = ROLES[int(rng.integers(2))]
        latency_ms = dict.fromkeys(ROLES, 0.0)
        latency_ms[wireless] = float(rng.choice([0.0, rng.uniform(2, 20)]))
    voice = {
        a: {b: _heard(dialogue.voice[a], room, a, b, latency_ms) for b in ROLES} for a in ROLES
    }
    frames = len(dialogue.voice[ROLES[0]])
    name = settings.get("noise") or str(rng.choice(list(NOISES)))
    place = NOISES[name](rng, frames, room, half, {s.name for s in speakers.values()})
    # The place is equally loud for both people; the drawn ratio is that of the worse microphone.
    wanted_db = settings.get("speech_to_noise_db", float(rng.uniform(27, 40)))
    ratios = []
    for column, role in enumerate(ROLES):
        speech = total_power(voice[role][role], "A") / max(dialogue.active[role].mean(), 1e-6)
        ratios.append((speech or 1.0) / total_power(place[:, column], "A"))
    place *= np.float32(np.sqrt(min(ratios) / 10 ** (wanted_db / 10)))
    peak_dbfs = settings.get("peak_dbfs") or {role: float(rng.uniform(-18, -4)) for role in ROLES}
    gain: dict[str, float] = {}
    noise: dict[str, Samples] = {}
    voice_rms: dict[str, float] = {}
    for column, mic in enumerate(ROLES):
        peak = max(float(np.abs(voice[a][mic]).max()) for a in ROLES)
        gain[mic] = 10 ** (peak_dbfs[mic] / 20) / max(peak, 1e-6)
        for a in ROLES:
            voice[a][mic] *= np.float32(gain[mic])
        # The microphone's and the input's own hiss, 55 to 65 dB under the voice.
        hiss = rng.standard_normal(frames, np.float32) * np.float32(
            10 ** (rng.uniform(-65, -55) / 20)
        )
        noise[mic] = (place[:, column] + hiss) * np.float32(gain[mic])
        voice_rms[mic] = gain[mic]
    mix = Mix(
        rng=rng, half=half, room=room, dialogue=dialogue, voice=voice, noise=noise,
        voice_rms=voice_rms, settings=settings,
    )  # fmt: skip
    mix.storage = settings.get("storage", "wav24")
    mix.notes.update(
        gain_db={mic: float(20 * np.log10(gain[mic])) for mic in ROLES},
        latency_ms=latency_ms,
        noise=name,
        speakers={role: speaker.name for role, speaker in speakers.items()},
    )
    return mix


def _heard(
    dry: Samples, room: Room, speaker: str, mic: str, latency_ms: dict[str, float]
) -> Samples:
    wet = signal.oaconvolve(dry.astype(np.float32), room.responses[speaker][mic])[: len(dry)]
    # The voice's own microphone without latency is the clock of the truth's activity.
    shift = round(latency_ms[mic] / 1000 * SAMPLE_RATE_HZ)
    return np.concatenate([np.zeros(shift, np.float32), wet[: len(wet) - shift]])


def _speakers(
    rng: np.random.Generator, half: Half, wanted: str | tuple[str, str] | None
) -> dict[str, Speaker]:
    if wanted == "test data":
        pair = [s for s in SPEAKERS if s.source == "data"]
    elif wanted:
        pair = [next(s for s in SPEAKERS if s.name == name) for name in wanted]
    else:
        voices = [s for s in SPEAKERS if s.half == half]
        weight = np.array(
            [{"game": 4, "prompts": 3, "synth": 1.5, "data": 0.7}[s.source] for s in voices]
        )
        picked = rng.choice(len(voices), 2, replace=False, p=weight / weight.sum())
        pair = [voices[int(number)] for number in picked]
    if rng.integers(2):
        pair = pair[::-1]
    return dict(zip(ROLES, pair, strict=True))
