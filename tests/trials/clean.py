"""Takes in which nothing is wrong, each with something that may pass for wrong."""

import numpy as np

from .interviews import manner
from .sounds import delayed, fan, gain, harmonics, leveller, limiter, passed, rms, wander
from .takes import Take
from .voices import LEVEL_DBFS, RATE_HZ

SPEECH = float(gain(LEVEL_DBFS))


@manner("clean", "plain", "aac_128")
@manner("clean", "booths", leak_db=None)
@manner("clean", "leak_12", leak_db=(-13, -11), place="dry")
@manner("clean", "limited", place="narrow")
@manner("clean", "unequal", style="unequal")
@manner("clean", "monologue", style="monologue")
@manner("clean", "quick", style="quick")
def untouched(take: Take) -> None:
    if take.manner == "aac_128":
        take.write = {"aac": 128}


@manner("clean", "whisperer", snr_db=(40, 48))
def whisperer(take: Take) -> None:
    """One of the two speaks softly all the time: 8 dB less, and closer to the noise."""
    soft = int(take.rng.integers(2))
    take.own[soft] *= gain(-8)
    take.leak[1 - soft] *= gain(-8)
    take.mix()


@manner("clean", "quiet", snr_db=(40, 48))
def quiet(take: Take) -> None:
    """24 bits leave room: inputs turned far down are no fault, but near the specs' limit."""
    take.gains *= gain(-46) / max(take.voice_level(mic) for mic in (0, 1))
    take.mix()
    take.write = {"bits": 24}
    take.wrong(None, 0, take.seconds, kind="low_level", owed=False)


@manner("clean", "float_hot")
def float_hot(take: Take) -> None:
    """Float holds what lies over full scale: not clipped."""
    take.gains *= 1.5 / np.abs(take.channels).max()
    take.mix()
    take.write = {"bits": 32}


@manner("clean", "leans_away")
def leans_away(take: Take) -> None:
    """Somebody leans back for ten seconds and comes forward again."""
    mic, at_s = take.somebody(), take.seconds * take.rng.uniform(0.25, 0.6)
    knots = [at_s, at_s + 3, at_s + 10, at_s + 13]
    curve = gain(np.interp(np.arange(take.frames) / RATE_HZ, knots, [0, -6, -6, 0]))
    take.own[mic] *= curve
    take.mix()


@manner("clean", "moves")
def moves(take: Take) -> None:
    for mic in (0, 1):
        take.own[mic] *= wander(take.rng, take.frames, 0.15, 1.2)
    take.mix()


@manner("clean", "asks_once", style="long")
def asks_once(take: Take) -> None:
    """The interviewer puts one question and says no more."""
    end = round((take.turns[0][2] + 0.9) * RATE_HZ)
    take.dry[0, end:] = take.own[0, end:] = take.leak[1, end:] = 0
    take.mix()


@manner("clean", "gate")
def gate(take: Take) -> None:
    """A pack that mutes itself in pauses, with an open and a close of tens of milliseconds."""
    for mic in (0, 1):
        frame = RATE_HZ // 100
        level = np.sqrt((take.own[mic][: take.frames // frame * frame].reshape(-1, frame) ** 2)
                        .mean(axis=1))  # fmt: skip
        opened = np.convolve(level > SPEECH * gain(-34), np.ones(31), "same") > 0
        at = (np.arange(len(opened)) + 0.5) * frame
        take.channels[mic] *= np.interp(np.arange(take.frames), at, opened.astype(float))


@manner("clean", "clock_drift")
def clock_drift(take: Take) -> None:
    mic, parts_per_million = take.somebody(), take.rng.uniform(10, 40)
    at = np.arange(take.frames) * (1 - parts_per_million * 1e-6)
    take.channels[mic] = np.interp(at, np.arange(take.frames), take.channels[mic])


@manner("clean", "rear_lobe")
def rear_lobe(take: Take) -> None:
    """A directional microphone picks the other voice up from behind, upside down."""
    take.leak[take.somebody()] *= -1
    take.mix()


@manner("clean", "camera_limiter")
def camera_limiter(take: Take) -> None:
    """The camera's limiter holds the loudest syllables: ugly, but no fault a take is lost by."""
    for mic in (0, 1):
        ceiling = np.percentile(np.abs(take.channels[mic]), 99.8)
        take.channels[mic] *= limiter(take.channels[mic], ceiling, 0.15)


@manner("clean", "soft_leveller")
def soft_leveller(take: Take) -> None:
    """A mixer's slow leveller that moves by 2 dB at most."""
    for mic in (0, 1):
        sound = take.channels[mic] / take.voice_level(mic) * gain(-20)
        take.channels[mic] *= leveller(sound, -20, 0.3, 6, 1)


@manner("clean", "fan_runs", "generator_far")
def machine_runs(take: Take) -> None:
    machine = fan(take.rng, take.frames)
    if take.manner == "generator_far":
        tones = [(k, 1 / k) for k in range(1, 12)]
        machine = harmonics(take.frames, 57.0, tones, take.rng, 0.3) + machine
        take.wrong(None, 0, take.seconds, kind="hum", owed=False)
    for mic in (0, 1):
        level = take.voice_level(mic) * gain(-38)
        take.put(mic, 0.0, delayed(machine, 0.004 * mic) / rms(machine) * level)


@manner("clean", "hum_of_few_steps", snr_db=(54, 56))
def hum_of_few_steps(take: Take) -> None:
    """In 16 bit, without dither, hum of three steps has flat tops in every period."""
    hum = harmonics(take.frames, 50.0, [(1, 1.0)], take.rng)
    take.channels += 2.3 / 32768 * hum
    take.write = {"bits": 16, "dither": False}
    for kind in ("hum", "noise", "low_level"):
        take.wrong(None, 0, take.seconds, kind=kind, owed=False)


@manner("clean", "high_pass")
def high_pass(take: Take) -> None:
    """The low cut of one input is on: thinner, and nothing else."""
    mic = take.somebody()
    take.channels[mic] = passed(take.channels[mic], take.rng.uniform(120, 200), None, 2)


@manner("clean", "plosives")
def plosives(take: Take) -> None:
    at_s = np.arange(int(0.06 * RATE_HZ)) / RATE_HZ
    for who, start_s, _ in take.turns:
        puff = np.sin(2 * np.pi * take.rng.uniform(60, 110) * at_s) * np.exp(-at_s / 0.02)
        puff *= take.gains[who] * SPEECH * take.rng.uniform(0.4, 0.9)
        take.put(who, start_s + 0.05, puff * np.minimum(1, at_s / 0.004))


@manner("clean", "breaths")
def breaths(take: Take) -> None:
    for who, start_s, _ in take.turns:
        length_s = take.rng.uniform(0.25, 0.55)
        if start_s > 1:
            frames = int(length_s * RATE_HZ)
            air = passed(take.rng.standard_normal(frames), 700, take.rng.uniform(3500, 7000))
            air *= np.sin(np.pi * np.linspace(0, 1, frames)) ** 1.5
            air *= SPEECH * gain(-take.rng.uniform(20, 26)) / rms(air)
            _mouth(take, who, start_s - length_s - 0.1, air)


@manner("clean", "laughs", "coughs")
def laughs(take: Take) -> None:
    """Voiced bursts for a laugh, noisy ones for a cough; the other microphone hears them too."""
    for who, _, end_s in take.turns[:6]:
        if end_s < take.seconds - 3:
            _mouth(take, who, end_s + 0.1, _bursts(take.rng, take.manner == "laughs"), talk=True)


def _bursts(rng: np.random.Generator, voiced: bool) -> np.ndarray:
    count, every_s = (rng.integers(4, 8), 0.2) if voiced else (rng.integers(1, 4), 0.4)
    sound = np.zeros(int((count * every_s + 0.3) * RATE_HZ))
    at_s = np.arange(int(0.28 * RATE_HZ)) / RATE_HZ
    for number in range(count):
        pitch_hz = rng.uniform(180, 320) * (1 - 0.06 * number)
        throat = signal_of_throat(at_s, pitch_hz) if voiced else 0.0
        air = passed(rng.standard_normal(len(at_s)), 400, 5000)
        shape = np.minimum(1, at_s / 0.012) * np.exp(-at_s / (0.06 if voiced else 0.09))
        start = int(number * every_s * rng.uniform(0.95, 1.05) * RATE_HZ)
        sound[start : start + len(at_s)] += (throat + (0.5 if voiced else 2.0) * air) * shape
    return sound / rms(sound) * SPEECH * gain(-2)


def signal_of_throat(at_s: np.ndarray, pitch_hz: float) -> np.ndarray:
    tone = sum(np.sin(2 * np.pi * k * pitch_hz * at_s) / k for k in range(1, 14))
    return passed(tone, 300, 3500)


def _mouth(take: Take, who: int, at_s: float, sound: np.ndarray, talk: bool = False) -> None:
    """Add what comes from a mouth: the truth may call it talk, a listener either."""
    if talk:
        take.say(who, at_s, sound, to_mix=True)
        return
    for mic in (0, 1):
        take.put(mic, at_s + take.late_s[mic], take.heard(who, mic, sound) * take.gains[mic])


@manner("clean", "cup", "chair", "door", "slate", "bell", "dog")
def in_the_room(take: Take) -> None:
    """A cup, a creaking chair, a door, a slate's clap, a church bell, a dog: both hear it."""
    moments = [at_s for at_s, _ in take.moments(1, 0.8, 4, 0.7, 6)]
    for at_s in [0.3] if take.manner == "slate" else moments:
        sound, level_db = ROOM_SOUNDS[take.manner](take.rng)
        take.put_in_room(at_s, sound * SPEECH * gain(level_db) / np.abs(sound).max())
    if take.manner in ("bell", "dog"):
        # It comes and goes: a background to a careful listener, so neither owed nor an alarm.
        for at_s in moments:
            take.wrong(None, at_s, at_s + 3, kind="background_change", owed=False)


def _cup(rng):
    at_s = np.arange(int(0.25 * RATE_HZ)) / RATE_HZ
    knock = passed(rng.standard_normal(len(at_s)), 150, 1500) * np.exp(-at_s / 0.015)
    ring = sum(np.sin(2 * np.pi * f * at_s) * np.exp(-at_s / 0.05) for f in (2300, 3700, 5400))
    return knock + 0.12 * ring * np.minimum(1, at_s / 0.001), rng.uniform(0, 8)


def _chair(rng):
    """A creak: a row of stick and slip, faster and slower again, through a wooden resonance."""
    frames = int(rng.uniform(0.4, 0.9) * RATE_HZ)
    rate_hz = 60 + 40 * np.sin(np.linspace(0, np.pi, frames))
    slips = (np.diff(np.floor(np.cumsum(rate_hz) / RATE_HZ), prepend=0) > 0).astype(float)
    wood = passed(passed(slips, 350, 900), None, 3000)
    return wood * np.sin(np.linspace(0, np.pi, frames)), rng.uniform(-4, 3)


def _door(rng):
    at_s = np.arange(int(0.6 * RATE_HZ)) / RATE_HZ
    return passed(rng.standard_normal(len(at_s)), 40, 700) * np.exp(-at_s / 0.1), rng.uniform(0, 4)


def _slate(rng):
    at_s = np.arange(int(0.3 * RATE_HZ)) / RATE_HZ
    return passed(rng.standard_normal(len(at_s)), 300, 9000) * np.exp(-at_s / 0.03), 22


def _bell(rng):
    at_s = np.arange(int(3 * RATE_HZ)) / RATE_HZ
    parts = ((0.5, 1.4), (1, 1.0), (1.19, 0.7), (1.5, 0.5), (2, 0.6), (2.74, 0.3), (4.1, 0.15))
    note_hz = rng.uniform(350, 520)
    bell = sum(a * np.sin(2 * np.pi * k * note_hz * at_s) * np.exp(-at_s * k) for k, a in parts)
    return bell * np.minimum(1, at_s / 0.005), rng.uniform(-16, -10)


def _dog(rng):
    at_s = np.arange(int(0.25 * RATE_HZ)) / RATE_HZ
    barks = []
    for _ in range(rng.integers(1, 4)):
        pitch_hz = rng.uniform(350, 500) * (1 + 0.4 * np.exp(-((at_s - 0.05) ** 2) / 0.002))
        tone = sum(np.sin(k * 2 * np.pi * np.cumsum(pitch_hz) / RATE_HZ) / k for k in range(1, 8))
        rough = tone + passed(rng.standard_normal(len(at_s)), 500, 3000)
        barks += [rough * np.sin(np.linspace(0, np.pi, len(at_s))), np.zeros(RATE_HZ // 5)]
    return np.concatenate(barks), rng.uniform(-14, -6)


ROOM_SOUNDS = {
    "cup": _cup, "chair": _chair, "door": _door, "slate": _slate, "bell": _bell, "dog": _dog,
}  # fmt: skip
