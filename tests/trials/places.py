"""Damage from around: cables that hum, wind, cloth, loud places, and voices that mix."""

import numpy as np
from scipy import signal

from .interviews import manner, sentence
from .sounds import (
    chords,
    coloured,
    fan,
    gain,
    harmonics,
    passed,
    response,
    rms,
    smooth,
    traffic,
    wander,
)  # fmt: skip
from .takes import Take, spoken
from .voices import RATE_HZ, available, utterances


@manner("hum", "buzz_50", "buzz_60", "rectifier", "sine", "dimmer", "starts", "ends")
@manner("hum", "half_plug", snr_db=(38, 48))
def hum(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    pitch_hz = (60 if name == "buzz_60" or rng.random() < 0.3 else 50) * rng.uniform(0.997, 1.003)
    parts = {
        "sine": [(1, 1.0)],
        "rectifier": [(2, 1), (4, 0.5), (6, 0.3), (8, 0.2)],
        "dimmer": [(2 * k + 1, (k + 1) ** -0.4) for k in range(20)],
    }.get(name, [(k, rng.uniform(0.2, 1) / k**0.7) for k in range(1, 12)])
    buzz = harmonics(take.frames, pitch_hz, parts, rng, sway=0.1)
    start_s = rng.uniform(0.3, 0.6) * take.seconds if name in ("starts", "half_plug") else 0
    end_s = rng.uniform(0.4, 0.7) * take.seconds if name == "ends" else take.seconds
    on = np.zeros(take.frames)
    on[int(start_s * RATE_HZ) : int(end_s * RATE_HZ)] = 1
    on = np.clip(smooth(on, 10), 0, 1) if on.min() == 0 else on
    level_db = rng.uniform(*((-20, -14) if name == "sine" else (-30, -22)))
    for channel in (0, 1) if name == "rectifier" else (mic,):
        if name == "half_plug":  # one of the two wires has no contact: bass lost, buzz there
            thin = passed(take.channels[channel], 500, None, 1) * 0.7
            take.channels[channel] += (thin - take.channels[channel]) * on
        take.channels[channel] += buzz * on * take.voice_level(channel) * gain(level_db)
    take.wrong(None if name == "rectifier" else mic, start_s, end_s)
    if name == "half_plug":
        for kind in ("level_jump", "background_change"):
            take.wrong(mic, start_s, start_s, kind=kind, owed=False)


@manner("hum", "phone")
def phone(take: Take) -> None:
    """A telephone near the cable: 0.6 ms at 217 Hz, for seconds. No mains; any name does."""
    mic = take.somebody()
    for at_s, _ in take.moments(mic, 3, 2):
        sound = np.zeros(int(take.rng.uniform(1.5, 3) * RATE_HZ))
        period, pulse = RATE_HZ / 216.7, int(0.000577 * RATE_HZ)
        for number in range(int(len(sound) / period)):
            if number % 26 != 25:
                sound[int(number * period) :][:pulse] = 1
        sound = passed(sound, 60, 6000)
        take.put(mic, at_s, sound / rms(sound) * take.voice_level(mic) * gain(-12))
        also = ("click", "rustle", "noise", "background_change")
        take.wrong(mic, at_s, at_s + len(sound) / RATE_HZ, owed=False, also=also)


@manner("wind", "gusts", "buffets", "both", "knocks", "pops")
def wind(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    for at_s, _ in take.moments(mic, 3.5, 3, 0.3):
        length_s = rng.uniform(1, 3.4)
        for channel in (0, 1) if name == "both" else (mic,):
            level = take.voice_level(channel)
            frames = int(length_s * RATE_HZ)
            if name in ("knocks", "pops"):
                sound = _knocks(rng, frames, name) * level * gain(rng.uniform(9, 14))
            else:
                air = passed(coloured(rng, frames, "brown"), 15, rng.uniform(120, 300))
                air *= wander(rng, frames, *((7, 8) if name == "buffets" else (2, 4)))
                air *= np.sin(np.linspace(0, np.pi, frames)) ** 0.6
                sound = air / rms(air) * level * gain(rng.uniform(0, 6))
            take.put(channel, at_s, sound)
        take.wrong(None if name == "both" else mic, at_s, at_s + length_s)


def _knocks(rng, frames, name):
    """Return knocks on the stand, or breath that pops; the highest of each is about 1."""
    sound, at_s = np.zeros(frames + RATE_HZ), np.arange(int(0.15 * RATE_HZ)) / RATE_HZ
    for start_s in np.arange(0.1, frames / RATE_HZ - 0.2, rng.uniform(0.3, 0.6)):
        if name == "knocks":
            one = np.sin(2 * np.pi * rng.uniform(35, 70) * at_s) * np.exp(-at_s / 0.035)
        else:
            one = passed(rng.standard_normal(len(at_s)), 20, 180) * np.exp(-at_s / 0.03)
        sound[int(start_s * RATE_HZ) :][: len(one)] += one / np.abs(one).max()
    return sound[:frames]


@manner("rustle", "bursts", "scrape", "crinkle", "handling", "brush", "thumps")
def rustle(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    for at_s, pause in take.moments(mic, 2.2, 4, 0.5):
        frames = int(rng.uniform(0.6, 2.1) * RATE_HZ)
        cloth = CLOTH[name](rng, frames)
        at = np.arange(frames)
        cloth *= np.minimum(1, at / 1400) * np.minimum(1, at[::-1] / 1400)
        level_db = rng.uniform(*((-14, -5) if pause else (-9, -2)))
        take.put(mic, at_s, cloth / rms(cloth) * take.voice_level(mic) * gain(level_db))
        also = ("wind",) if name in ("thumps", "handling") else ()
        also += ("click",) if name == "crinkle" else ()
        take.wrong(mic, at_s, at_s + frames / RATE_HZ, also=also)


def _strokes(low_hz, high_hz):
    def strokes(rng, frames):
        sound, at = np.zeros(frames + RATE_HZ), 0
        while at < frames - 6000:
            length = int(rng.uniform(0.04, 0.2) * RATE_HZ)
            edges = rng.uniform(*low_hz), rng.uniform(*high_hz)
            one = (
                passed(rng.standard_normal(length + 500), *edges)[500:] * np.hanning(length) ** 0.6
            )
            sound[at : at + length] += one / rms(one) * rng.uniform(0.5, 1.2)
            at += int(length * rng.uniform(0.6, 1.3))
        return sound[:frames]

    return strokes


def _scrape(rng, frames):
    rate_hz = 25 + 15 * wander(rng, frames, 6, 3)
    teeth = 1 + 0.8 * np.sin(2 * np.pi * np.cumsum(rate_hz) / RATE_HZ)
    return passed(rng.standard_normal(frames), 700, 5500) * teeth * wander(rng, frames, 8, 3)


def _crinkle(rng, frames):
    snaps = (rng.random(frames) < 300 / RATE_HZ) * rng.exponential(1, frames)
    snaps *= rng.choice([-1, 1], frames) * wander(rng, frames, 6, 5)
    snap = rng.standard_normal(90) * np.exp(-np.arange(90) / 15)
    return passed(signal.oaconvolve(snaps, snap)[:frames], 900)


def _brush(rng, frames):
    return passed(coloured(rng, frames, "pink"), 150, 9000) * wander(rng, frames, 10, 5)


def _thumps(rng, frames):
    """A lavalier that a scarf or a beard strikes: a dull blow, and cloth that drags after it."""
    drag = _brush(rng, frames) * 0.4
    for at in rng.integers(0, frames - 8000, max(2, frames // 15_000)):
        at_s = np.arange(8000) / RATE_HZ
        blow = passed(rng.standard_normal(8000), 50, 500) * np.exp(-at_s / 0.03)
        drag[at : at + 8000] += 3 * blow / np.abs(blow).max() * np.minimum(1, at_s / 0.002)
    return drag


CLOTH = {
    "bursts": _strokes((200, 900), (4000, 11_000)), "handling": _strokes((70, 71), (1500, 5000)),
    "scrape": _scrape, "crinkle": _crinkle, "brush": _brush, "thumps": _thumps,
}  # fmt: skip


@manner("noise", "white", "brown", "fan", "traffic", "crowd", snr_db=(39, 41))
def noise(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    makers = {"fan": fan, "traffic": traffic, "crowd": lambda rng, frames: crowd(take)}
    sound = makers.get(name, lambda rng, frames: coloured(rng, frames, name))(rng, take.frames)
    sound = passed(sound, 150)
    both, snr_db = bool(rng.random() < 0.5), rng.uniform(3, 10)
    for channel in (0, 1) if both else (mic,):
        level = take.voice_level(channel) * gain(-snr_db)
        take.channels[channel] += np.roll(sound, 150 * channel) / rms(sound) * level
    take.wrong(None if both else mic, 0, take.seconds)


def crowd(take: Take) -> np.ndarray:
    """Return six people who talk at once in a hall, none of them the two."""
    names = [v for v in available(take.part, take.root) if v not in take.speakers]
    mixed = np.zeros(take.frames)
    for _ in range(6):
        said = utterances(names[take.rng.integers(len(names))], take.root)
        order = take.rng.permutation(len(said))
        voice = np.resize(np.concatenate([said[k] for k in order]), take.frames)
        mixed += np.roll(voice, take.rng.integers(take.frames)) * gain(take.rng.uniform(-3, 3))
    return signal.oaconvolve(mixed, response(take.rng, 0.7, -8, 0.001))[: take.frames]


@manner("background_change", "fan", "fridge", "music", "generator", "air", "tone", snr_db=(36, 46))
def background_change(take: Take) -> None:
    """A machine in the room starts or stops, in a pause or under speech."""
    rng, name = take.rng, take.manner
    at_s = take.middle(take.somebody() if rng.random() < 0.5 else None)
    if name == "fridge":
        steady = harmonics(take.frames, 50.02, [(1, 0.5), (2, 1), (3, 0.3), (4, 0.5)], rng)
        sound = steady + 0.5 * passed(coloured(rng, take.frames, "pink"), 60, 1500)
    elif name == "generator":
        tones = [(k, k**-0.6) for k in range(1, 16)]
        sound = harmonics(take.frames, 56.3, tones, rng, 0.3)
        sound = sound + passed(coloured(rng, take.frames, "pink"), 60, 3000)
    elif name == "tone":
        sound = harmonics(take.frames, rng.uniform(300, 1500), [(1, 1)], rng)
    elif name == "air":
        sound = passed(coloured(rng, take.frames, "pink"), 80, 2500)
    else:
        sound = (chords if name == "music" else fan)(rng, take.frames)
    seconds = np.arange(take.frames) / RATE_HZ
    there = np.clip((seconds - at_s) / rng.uniform(0.02, 0.3) + 0.5, 0, 1)
    there = there if rng.random() < 0.5 else 1 - there
    level_db = rng.uniform(*((-32, -26) if name == "tone" else (-27, -20)))
    sound = sound / rms(sound) * there * gain(level_db)
    for mic in (0, 1):
        path = response(rng, 0.3, 3, 0.004 + 0.003 * mic)
        heard = signal.oaconvolve(sound, path)[: take.frames]
        take.put(mic, 0, heard * take.voice_level(mic))
    take.wrong(None, at_s, at_s)
    part_s = (at_s, take.seconds) if there[-1] else (0, at_s)
    if name in ("fridge", "generator"):
        take.wrong(None, *part_s, kind="hum", owed=False)


@manner("one_place", "coincident", "spaced", "panned", leak_db=None)
def one_place(take: Take) -> None:
    """The camera's own pair hears both people, instead of a microphone on each."""
    rng, name = take.rng, take.manner
    take.own[:] = take.leak[:] = 0
    rooms = rng.uniform(0.2, 0.5)
    for who in (0, 1):
        across_s = rng.uniform(-4e-4, 4e-4) if name == "spaced" else 0.0
        pan_db = rng.uniform(-2, 2) if name == "panned" else rng.uniform(-0.5, 0.5)
        clear_db = rng.uniform(2, 9) if name == "panned" else rng.uniform(8, 20)
        shared = rng.integers(2**31)
        for mic in (0, 1):
            # A coincident pair stands in one place: one response, but for some of the tail.
            path = response(np.random.default_rng(shared), rooms, clear_db, 0.003 + across_s * mic)
            if name != "coincident":
                path[600:] = 0.7 * path[600:] + 0.3 * rng.permutation(path[600:])
            heard = signal.oaconvolve(take.dry[who], path)[: take.frames]
            take.own[mic] += heard * gain(pan_db * (mic - 0.5) - 2 * who)
    take.gains[:], take.late_s = take.gains.min(), [0.0, 0.0]
    take.mix()
    take.turns_count = False
    # Two capsules in one place that hear everything alike are one microphone twice to any ear.
    also = ("dual_mono",) if name == "coincident" else ()
    take.wrong(None, 0, take.seconds, owed=name != "panned", also=also)


@manner("crosstalk", "one")
@manner("crosstalk", "both", leak_db=(-2.5, -1.5))
@manner("crosstalk", "section", leak_db=(-20, -15))
def crosstalk(take: Take) -> None:
    rng, mic, name = take.rng, take.somebody(), take.manner
    if name == "both":
        take.wrong(None, 0, take.seconds)
        return
    start_s, end_s = 0.0, take.seconds
    if name == "section":  # somebody turned round
        start_s = rng.uniform(0.2, 0.4) * take.seconds
        end_s = start_s + rng.uniform(20, 35)
    seconds = np.arange(take.frames) / RATE_HZ
    more = gain(rng.uniform(-3, -0.5)) * rms(take.own[1 - mic]) / rms(take.leak[mic])
    turned = np.interp(seconds, [start_s - 0.5, start_s + 0.5, end_s - 0.5, end_s + 0.5],
                       [0, 1, 1, 0]) if name == "section" else 1.0  # fmt: skip
    extra = take.leak[mic] * (more - 1) * turned * take.gains[mic]
    take.put(mic, take.late_s[mic], extra)
    # The other person's words within it tell where it is heard.
    words = [(max(a, start_s), min(b, end_s)) for a, b in take.talk()[1 - mic]
             if b > start_s + 1 and a < end_s - 1]  # fmt: skip
    if words:
        owed = sum(b - a for a, b in words) > 4
        take.wrong(mic, words[0][0], words[-1][1], owed=owed)


@manner(
    "both_talking", "interrupts", "assents", "long", "subject", style="usual", leak_db=(-24, -14)
)
def both_talking(take: Take) -> None:
    name = take.manner
    who, over = (1, 0) if name == "subject" else (0, 1)
    for at_s, _ in take.moments(over, {"assents": 0.5, "long": 6}.get(name, 3.5), 3, 0, 9):
        longest_s = {"assents": 0.5, "long": 5}.get(name, 3)
        words = sentence(take, who, longest_s)[: int(longest_s * RATE_HZ)].copy()
        words[-1200:] *= np.linspace(1, 0, 1200)
        at, end = (round(at_s * 100), round(at_s * 100) + len(words) // 480)
        if spoken(take.dry[over])[at:end].mean() < 0.6:
            continue  # too few words under it
        end_s = take.say(who, at_s, words, to_mix=True)
        take.wrong(None, at_s, end_s, owed=name != "assents")
