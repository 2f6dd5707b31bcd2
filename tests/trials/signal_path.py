"""Damage between the capsule and the file: inputs, cables, radio links, the recorder."""

import numpy as np

from .interviews import manner
from .sounds import coloured, gain, harmonics, leveller, passed, rms, smooth
from .takes import Take
from .voices import RATE_HZ

FEWEST_FLAT = 24  # samples: half a millisecond of flat tops; less is hardly heard


@manner(
    "clipping",
    "hard",
    "turned_down",
    "one_sided",
    "aac",
    "converter",
    "brief",
    "soft",
    style="usual",
)
def clipping(take: Take) -> None:
    """Someone raises the voice for seconds and the input holds no more."""
    rng, mic, name = take.rng, take.somebody(), take.manner
    louder = np.ones(take.frames)
    length_s = 0.4 if name == "brief" else rng.uniform(1.5, 5)
    while not (moments := take.moments(mic, length_s, 3, in_pauses=0)):
        length_s /= 2
    for at_s, _ in moments:
        louder[int(at_s * RATE_HZ) : int((at_s + length_s) * RATE_HZ)] = gain(rng.uniform(12, 18))
    louder = np.maximum(1, smooth(louder, 8))
    take.own[mic] *= louder
    take.leak[1 - mic] *= louder
    take.mix()
    sound = take.channels[mic]
    sound /= np.percentile(np.abs(sound[louder > 3]), 98.5)  # 1.0: all that the input holds
    take.undamaged[mic] = sound
    flat = np.abs(sound) >= (1.2 if name == "soft" else 1)
    down = gain(-rng.uniform(4, 20)) if name == "turned_down" else 1.0
    if name == "soft":
        damaged = 0.7 * np.tanh(1.5 * sound)
    elif name == "one_sided":
        sound *= rng.choice([-1, 1])
        damaged, flat, down = np.minimum(sound, 1), sound >= 1, gain(-rng.uniform(0.5, 8))
    else:
        damaged = np.clip(sound, -1, 1)
    if name == "converter":  # its own noise lies on the tops
        down, damaged = 0.7, damaged + rng.normal(0, 3e-5, take.frames)
    take.undamaged[mic] *= down
    take.channels[mic] = damaged * down
    if name == "aac":
        take.write = {"aac": int(rng.choice([128, 192, 256]))}
    for start, end in _clusters(np.flatnonzero(flat)):
        enough = flat[start : end + 1].sum() >= FEWEST_FLAT
        owed = bool(enough) and name != "soft"
        take.wrong(mic, start / RATE_HZ, (end + 1) / RATE_HZ, owed=owed)


@manner("clipping", "whole")
def clipping_throughout(take: Take) -> None:
    mic = take.somebody()
    loud = take.channels[mic] / take.voice_level(mic) * gain(take.rng.uniform(-9, -6))
    take.undamaged[mic], take.channels[mic] = loud, np.clip(loud, -1, 1)
    flat = np.flatnonzero(np.abs(loud) >= 1)
    take.wrong(mic, flat[0] / RATE_HZ, (flat[-1] + 1) / RATE_HZ)


def _clusters(at: np.ndarray) -> list[tuple[int, int]]:
    """Return first and last of runs whose members lie within a second of each other."""
    if len(at) == 0:
        return []
    cuts = np.flatnonzero(np.diff(at) > RATE_HZ)
    return list(zip(at[np.r_[0, cuts + 1]], at[np.r_[cuts, len(at) - 1]], strict=True))


@manner("dropout", "zeros", "held", "short", "hiss", "both", "faded", "bursts", style="usual")
@manner("dropout", "in_pause")
def dropout(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    where = 1.0 if name == "in_pause" else 0.0
    for at_s, _ in take.moments(mic, 1.5 if name != "in_pause" else 0.4, 3, where):
        if name == "bursts":  # a link at the edge of its range
            count = rng.integers(3, 7)
            begins_s = at_s + np.cumsum(rng.uniform(0.09, 0.25, count)) - 0.09
            lost = [(b, b + rng.uniform(0.01, 0.08)) for b in begins_s]
        else:
            longest_s = {"short": 0.03, "in_pause": 0.4}.get(name, 1.4)
            shortest_s = 0.006 if name == "short" else 0.04
            lost = [(at_s, at_s + np.exp(rng.uniform(np.log(shortest_s), np.log(longest_s))))]
        for channel in (0, 1) if name == "both" else (mic,):
            for start_s, end_s in lost:
                _lose(take, channel, round(start_s * RATE_HZ), round(end_s * RATE_HZ))
        take.wrong(
            None if name == "both" else mic, lost[0][0], lost[-1][1], owed=name != "in_pause"
        )


def _lose(take: Take, mic: int, start: int, end: int) -> None:
    part = take.channels[mic, start:end]
    if take.manner == "held":
        part[:] = part[0]
    elif take.manner == "hiss":
        part[:] = take.rng.normal(
            0, min(take.gains[mic] * rms(take.noise[mic]) / 16, 2e-3), end - start
        )
    elif take.manner == "faded":
        edge = np.linspace(0, 1, min(RATE_HZ // 250, len(part) // 3))
        part[len(edge) : len(part) - len(edge)] = 0
        part[: len(edge)] *= edge[::-1]
        part[len(part) - len(edge) :] *= edge
    else:
        part[:] = 0


@manner("click", "radio", "crack", "sample", "step", "series", "plug")
def click(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    for at_s, pause in take.moments(mic, 0.3, 5):
        over_db = rng.uniform(-2, 10) if pause else rng.uniform(12, 17)
        peak = min(take.voice_level(mic) * gain(over_db), 0.95)
        each_s = 0.05 * np.arange(5) if name == "series" else np.zeros(1)
        for later_s in each_s:
            crack = CRACKS[name](rng)
            take.put(mic, at_s + later_s, crack / np.abs(crack).max() * peak)
        # Twelve times a decay are written; after four of them nothing is heard of it.
        take.wrong(mic, at_s, at_s + each_s[-1] + 0.004)


def _decay(rng, shortest_s, longest_s):
    lasts = rng.uniform(shortest_s, longest_s) * RATE_HZ
    return np.exp(-np.arange(int(12 * lasts)) / lasts)


def _radio(rng):
    shape = _decay(rng, 0.0003, 0.001)
    return passed(rng.standard_normal(len(shape)), 500) * shape


def _crack(rng):
    shape = _decay(rng, 0.001, 0.002)
    return rng.standard_normal(len(shape)) * (rng.random(len(shape)) < 0.5) * shape


def _plug(rng):
    """A plug turned in its socket: two or three contacts within 8 ms, each a step that dies."""
    sound = np.zeros(int(0.05 * RATE_HZ))
    for at in np.sort(rng.uniform(0, 0.008, rng.integers(2, 4))):
        step = passed(_decay(rng, 0.0005, 0.002), 40) * rng.choice([-1, 1])
        sound[int(at * RATE_HZ) :][: len(step)] += step[: len(sound) - int(at * RATE_HZ)]
    return sound


CRACKS = {
    "radio": _radio, "series": _radio, "crack": _crack, "plug": _plug,
    "sample": lambda rng: np.array([1, -0.6]) * rng.choice([-1, 1]),
    "step": lambda rng: passed(_decay(rng, 0.0015, 0.004), 15) * rng.choice([-1, 1]),
}  # fmt: skip


@manner("level_jump", "in_pause", "in_speech", "and_back", "both", "small")
def level_jump(take: Take) -> None:
    mic, name = take.somebody(), take.manner
    by_db = take.rng.uniform(*((4, 6) if name == "small" else (6, 15))) * take.rng.choice([-1, 1])
    start_s = take.middle(mic if name == "in_speech" else None)
    end_s = start_s + take.rng.uniform(15, 25) if name == "and_back" else take.seconds
    at_s = np.arange(take.frames) / RATE_HZ
    mics = (0, 1) if name == "both" else (mic,)
    for channel in mics:
        take.channels[channel, (at_s >= start_s) & (at_s < end_s)] *= gain(by_db)
    highest = np.abs(take.channels).max()
    for sound in (take.channels, take.undamaged):
        sound *= min(1, 0.9 / highest)
    for edge_s in (start_s, end_s):
        if edge_s < take.seconds - 3:
            take.wrong(None if name == "both" else mic, edge_s, edge_s, owed=name != "small")


@manner("level_jump", "automatic", "automatic_fast")
def automatic_gain(take: Take) -> None:
    mic, slow = take.somebody(), take.manner == "automatic"
    sound = take.channels[mic] / take.voice_level(mic) * gain(-20)
    rise_s = take.rng.uniform(*((2.5, 6) if slow else (0.5, 1.2)))
    sound = sound * leveller(sound, -20, 0.05, rise_s, 16)
    take.channels[mic] = sound * min(1, 0.9 / np.abs(sound).max())
    take.wrong(mic, 0, take.seconds)
    # While the other one speaks it lifts their voice by up to 16 dB: it is really heard there.
    take.wrong(mic, 0, take.seconds, kind="crosstalk", owed=False)


@manner("level_jump", "low_cut_switched")
def low_cut_switched(take: Take) -> None:
    """Somebody switches the low cut on: heard as a thinner voice from there on. Borderline."""
    mic, at_s = take.somebody(), take.middle()
    at = round(at_s * RATE_HZ)
    take.channels[mic, at:] = passed(take.channels[mic], 180, None, 2)[at:]
    take.wrong(mic, at_s, at_s, owed=False, also=("background_change", "click"))


@manner("low_level", "16_bit", "24_bit", "one", snr_db=(34, 44))
def low_level(take: Take) -> None:
    mic, name = take.somebody(), take.manner
    dbfs = take.rng.uniform(*((-74, -66) if name == "24_bit" else (-62, -56)))
    mics = (mic,) if name == "one" else (0, 1)
    for channel in mics:
        take.gains[channel] *= gain(dbfs) / take.voice_level(channel)
    take.mix()
    take.write = {"bits": 24 if name == "24_bit" else 16}
    take.wrong(mic if name == "one" else None, 0, take.seconds)


DEAD = ("zeros_mid", "zeros_all", "hiss_low", "hiss_high", "hiss_all", "humming", "back_again")


@manner("mic_dead", *DEAD, "battery", leak_db=(-22, -13), snr_db=(34, 46))
def mic_dead(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    start_s = 0.0 if name.endswith("_all") else rng.uniform(0.3, 0.55) * take.seconds
    end_s = start_s + rng.uniform(15, 25) if name == "back_again" else take.seconds
    start, end = round(start_s * RATE_HZ), round(end_s * RATE_HZ)
    floor = take.gains[mic] * rms(take.noise[mic])
    frames = len(take.channels[mic, start:end])
    if name.startswith("zeros"):
        left = np.zeros(frames)
    elif name == "hiss_high":
        left = coloured(rng, frames) * floor * gain(rng.uniform(4, 10))
    elif name == "humming":
        hum = harmonics(frames, 50.0, [(k, 1 / k) for k in (1, 2, 3, 5, 7)], rng)
        left = coloured(rng, frames, "pink") * floor / 3 + hum * take.voice_level(mic) * gain(-22)
    else:
        left = coloured(rng, frames) * floor * gain(-rng.uniform(10, 25))
    if name == "battery":  # the transmitter fades within seconds, what remains is the receiver's
        fade = gain(np.maximum(-90, -15 * np.arange(frames) / RATE_HZ))
        left = left + take.channels[mic, start:end] * fade
        start_s += 2.0  # 30 dB down: the words are gone
    take.channels[mic, start:end] = left
    take.wrong(mic, start_s, min(end_s, take.seconds))
    if name == "battery":
        take.wrong(mic, start_s - 2, start_s + 4, kind="level_jump", owed=False)


@manner("dual_mono", "same", "louder", "part", leak_db=(-22, -10))
def dual_mono(take: Take) -> None:
    rng, copied, name = take.rng, int(take.rng.integers(2)), take.manner
    start_s, end_s = 0.0, take.seconds
    if name == "part":
        start_s = rng.uniform(0.2, 0.4) * take.seconds
        end_s = start_s + rng.uniform(15, 30)
    part = slice(round(start_s * RATE_HZ), round(end_s * RATE_HZ))
    level = gain(-rng.uniform(3, 9)) * rng.choice([-1, 1]) if name == "louder" else 1.0
    take.channels[1 - copied, part] = take.channels[copied, part] * level
    take.turns_count = False
    take.wrong(None, start_s, end_s)


@manner("polarity", "dry", place="dry", leak_db=(-20, -10), snr_db=(34, 46))
@manner("polarity", "room", place="room", leak_db=(-20, -10), snr_db=(34, 46))
def polarity(take: Take) -> None:
    take.channels[take.somebody()] *= -1
    take.wrong(None, 0, take.seconds)


@manner("dc_offset", "one", "both")
def dc_offset(take: Take) -> None:
    mic, name = take.somebody(), take.manner
    offset = take.rng.uniform(0.02, 0.15) * take.rng.choice([-1, 1])
    for sound in (take.channels, take.undamaged):
        sound *= 0.8
    take.channels[slice(None) if name == "both" else mic] += offset
    take.wrong(None if name == "both" else mic, 0, take.seconds)


@manner("bad_samples", "nan", "burst")
def bad_samples(take: Take) -> None:
    mic, name = take.somebody(), take.manner
    at_s, count = take.middle(), 1 if name == "nan" else 2000
    at = round(at_s * RATE_HZ)
    take.channels[mic, at : at + count] = np.nan if name == "nan" else np.inf
    take.write = {"bits": 32}
    take.wrong(mic, at_s, at_s + count / RATE_HZ)


@manner("truncated", "wav", "flac", "size_never_written")
def truncated(take: Take) -> None:
    take.write = {"cut": take.rng.uniform(0.5, 0.85), "how": take.manner, "bits": 16}
    take.turns_count = False
    take.wrong(None, 0, take.seconds)
