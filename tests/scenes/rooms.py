"""Impulse responses of two people with two lavaliers in a shoebox room (image sources).

References: Allen & Berkley 1979 (image-source method), as implemented by pyroomacoustics.
"""

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from scenes.model import ROLES, SAMPLE_RATE_HZ, Half, Samples

SPEED_OF_SOUND_M_S = 343.0
# Our choice: later images than this order are weak and cost most of the time.
MAX_ORDER = 30

# Width, depth, height in metres. Disjoint between the halves.
_ROOMS: dict[Half, tuple[tuple[float, float, float], ...]] = {
    "tuning": ((3.4, 2.9, 2.5), (4.6, 3.7, 2.6), (6.2, 4.4, 2.9), (8.3, 5.6, 3.3)),
    "reporting": ((3.1, 3.9, 2.4), (5.3, 4.1, 2.7), (7.1, 4.9, 3.0), (9.2, 6.8, 3.6)),
}


@dataclass(frozen=True)
class Room:
    """A drawn room.

    ``responses[speaker][mic]`` are impulse responses ``(taps,)`` in which a lavalier's own direct
    sound has about unit gain; ``arrival_s[speaker][mic]`` the direct sound's travel time.
    """

    responses: dict[str, dict[str, Samples]]
    noise_responses: dict[str, Samples]
    arrival_s: dict[str, dict[str, float]]
    t60_s: float
    distance_m: float
    size_m: tuple[float, float, float]


def draw_room(
    rng: np.random.Generator,
    half: Half,
    t60_s: float | None = None,
    distance_m: float | None = None,
    *,
    one_place: bool = False,
) -> Room:
    """Draw a room and two seats.

    Args:
        rng: what is drawn from.
        half: whose rooms.
        t60_s: reverberation time; 0.2 to 0.8 s when not given.
        distance_m: mouth to mouth; 0.8 to 2.5 m when not given.
        one_place: both microphones are the camera's own, 3 cm apart, facing the two people.

    """
    size = _ROOMS[half][rng.integers(len(_ROOMS[half]))]
    if distance_m is None:
        distance_m = float(rng.uniform(0.8, min(2.5, size[0] - 1.4)))
    if t60_s is None:
        # A very dead large room needs absorption above 1: keep to what Sabine's formula can do.
        volume, surface = np.prod(size), 2 * (size[0] * size[1] + size[2] * (size[0] + size[1]))
        shortest = max(0.2, 1.15 * 0.161 * volume / surface)
        # Reverberant rooms are the rarer choice for an interview.
        t60_s = float(shortest + (0.8 - shortest) * rng.beta(1.0, 2.5))
    turned = bool(rng.integers(2))
    seed = int(rng.integers(1 << 31))
    return _simulate(size, round(t60_s, 3), round(distance_m, 3), turned, one_place, seed)


@lru_cache(maxsize=8)
def _simulate(
    size: tuple[float, float, float],
    t60_s: float,
    distance_m: float,
    turned: bool,
    one_place: bool,
    seed: int,
) -> Room:
    import pyroomacoustics as pra

    rng = np.random.default_rng(seed)
    absorption, order = pra.inverse_sabine(t60_s, size)
    box = pra.ShoeBox(
        size,
        fs=SAMPLE_RATE_HZ,
        materials=pra.Material(min(absorption, 0.98)),
        max_order=min(order, MAX_ORDER),
    )
    middle = np.array(
        [size[0] / 2 + rng.uniform(-0.1, 0.1), size[1] / 2 + rng.uniform(-0.3, 0.3), 1.2]
    )
    across = np.array([distance_m / 2, 0.0, 0.0]) * (-1 if turned else 1)
    mouths = dict(zip(ROLES, (middle - across, middle + across), strict=True))
    towards = dict(zip(ROLES, (np.sign(across[0]), -np.sign(across[0])), strict=True))
    mics = {}
    for role in ROLES:
        drop = rng.uniform(0.19, 0.28)  # a lavalier 0.2 to 0.3 m below the mouth
        mics[role] = mouths[role] + [towards[role] * rng.uniform(0.03, 0.09), 0.04, -drop]
    if one_place:
        camera = np.array([middle[0] + rng.uniform(-0.1, 0.1), middle[1] - size[1] / 2 + 0.4, 1.4])
        aside = {role: np.array([0.015 * -towards[role], 0.0, 0.0]) for role in ROLES}
        mics = {role: camera + aside[role] for role in ROLES}
    for role in ROLES:
        box.add_source(mouths[role])
    corner = np.array([0.35, 0.4, 0.5]) + rng.uniform(0, 0.2, 3)
    box.add_source(corner)
    box.add_microphone_array(np.array([mics[role] for role in ROLES]).T)
    box.compute_rir()
    # The fractional-delay filter of the simulation adds this many samples to every path.
    lead = pra.constants.get("frac_delay_length") // 2

    def response(mic: int, source: int) -> Samples:
        return np.asarray(box.rir[mic][source][lead:], np.float32)

    # The voice's own direct sound and first reflections are brought to about unit gain.
    responses = {}
    for number, speaker in enumerate(ROLES):
        taps = {mic: response(m, number) for m, mic in enumerate(ROLES)}
        onset = int(np.argmax(np.abs(taps[speaker])))
        scale = 1 / np.sqrt(np.sum(taps[speaker][: onset + 200] ** 2))
        responses[speaker] = {mic: t * np.float32(scale) for mic, t in taps.items()}
    return Room(
        responses=responses,
        noise_responses={mic: response(m, 2) for m, mic in enumerate(ROLES)},
        arrival_s={
            a: {b: float(np.linalg.norm(mouths[a] - mics[b])) / SPEED_OF_SOUND_M_S for b in ROLES}
            for a in ROLES
        },
        t60_s=t60_s,
        distance_m=distance_m,
        size_m=size,
    )
