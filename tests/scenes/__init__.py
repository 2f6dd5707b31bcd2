"""Two-microphone interview scenes with exact truth.

A scene is a simulated recording: open speech in a simulated room, two lavaliers, unequal gains, a
wireless link's delay, the noise of a place, and damage put in by hand. Everything a checking tool
should say about it is known, because every part is known before the parts are added up.

Conventions: samples are float32 ``(frames, 2)`` at 48 kHz, column 0 the interviewer's microphone;
times in seconds from the start; levels in dBFS are RMS re full scale 1.0; ``half`` is ``"tuning"``
or ``"reporting"``: speakers, noises and rooms of the two halves are disjoint.

    >>> scene = make_scene(1, half="tuning", duration_s=20.0, speakers="test data")
    >>> scene.samples.shape, scene.sample_rate_hz
    ((960000, 2), 48000)
"""

from scenes.build import make_scene
from scenes.damage import KINDS
from scenes.fooled import FOOLERS
from scenes.model import ROLES, SAMPLE_RATE_HZ, Damage, Scene, Truth, Utterance

__all__ = [
    "FOOLERS",
    "KINDS",
    "ROLES",
    "SAMPLE_RATE_HZ",
    "Damage",
    "Scene",
    "Truth",
    "Utterance",
    "make_scene",
]
