"""Damage in a scene is where the truth says, what it says, and nowhere else."""

from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from scenes import FOOLERS, ROLES, SAMPLE_RATE_HZ, Damage, Scene, make_scene
from scenes.damage_recorder import clip
from scenes.damage_sounds import hidden_changes
from scenes.levels import db, frame_power
from scenes.model import other

FIXED: dict[str, Any] = {
    "speakers": "test data",
    "noise": "hiss",
    "speech_to_noise_db": 34.0,
    "t60_s": 0.35,
    "distance_m": 1.3,
    "latency_ms": dict.fromkeys(ROLES, 0.0),
    "peak_dbfs": dict.fromkeys(ROLES, -16.0),
    "assents": False,
}


@cache
def damaged(kind: str, how: str | None = None, duration_s: float = 30.0) -> Scene:
    way = {"how": how} if how else {}
    return make_scene(11, "tuning", (kind,), duration_s, **FIXED, **way)


@cache
def whole() -> Scene:
    return make_scene(11, "tuning", (), 30.0, **FIXED)


def of_kind(scene: Scene, kind: str) -> list[Damage]:
    return [d for d in scene.truth.damage if d.kind == kind and d.expect != "may"]


def column(mic: str | None) -> list[int]:
    return [0, 1] if mic is None else [ROLES.index(mic)]


def part(start_s: float, end_s: float) -> slice:
    return slice(round(start_s * SAMPLE_RATE_HZ), round(end_s * SAMPLE_RATE_HZ))


@pytest.mark.parametrize("kind", ["click", "rustle", "wind", "dropout", "bad_samples", "hum"])
def test_only_the_stated_moments_differ(kind: str) -> None:
    scene = damaged(kind)
    differs = ~(np.abs(scene.samples - whole().samples) < 1e-7)
    stated = of_kind(scene, kind)
    assert stated
    for damage in stated:
        for mic in column(damage.mic):
            here = part(damage.start_s, damage.end_s)
            assert differs[here, mic].any()
            differs[max(here.start - 1, 0) : here.stop + 1, mic] = False
    assert not differs.any()


@pytest.mark.parametrize("how", ["zeros", "held", "hiss"])
def test_dropouts_hold_zero_or_one_value_or_a_far_quieter_hiss(how: str) -> None:
    scene = damaged("dropout", how)
    for damage in of_kind(scene, "dropout"):
        for mic in column(damage.mic):
            samples = scene.samples[part(damage.start_s, damage.end_s), mic]
            if how == "hiss":
                level = db(float(np.mean(samples.astype(float) ** 2)))
                assert level < scene.truth.noise_dbfs[ROLES[mic]] - 20
            else:
                assert np.ptp(samples) == 0
                assert (samples[0] == 0) == (how == "zeros")


@pytest.mark.parametrize("how", ["full scale", "gain turned down", "one polarity"])
def test_clipped_samples_are_where_and_as_long_as_stated(how: str) -> None:
    scene = damaged("clipping", how)
    stated = of_kind(scene, "clipping")
    samples = scene.samples[:, ROLES.index(stated[0].mic)]
    ceiling = samples.max()
    held = samples == ceiling if how == "one polarity" else np.abs(samples) == ceiling
    assert (ceiling > 0.99) == (how == "full scale")
    for damage in stated:
        runs = "".join("x" if h else " " for h in held[part(damage.start_s, damage.end_s)])
        assert max(map(len, runs.split())) >= damage.details["longest_run"] - 1


def test_a_level_jump_scales_noise_and_speech_alike() -> None:
    scene, before = damaged("level_jump"), whole()
    jump = of_kind(scene, "level_jump")[0]
    mic = ROLES.index(jump.mic)
    after = part(jump.start_s + 0.1, jump.start_s + 8)
    ratio = scene.samples[after, mic] / before.samples[after, mic]
    assert 20 * np.log10(np.median(ratio)) == pytest.approx(jump.details["step_db"], abs=0.05)
    np.testing.assert_allclose(ratio, np.median(ratio), rtol=0.02)


def test_automatic_gain_lifts_the_pauses() -> None:
    scene, before = damaged("automatic_gain"), whole()
    mic = ROLES.index(of_kind(scene, "level_jump")[0].mic)
    speech = scene.truth.active[ROLES[mic]]
    lift = [
        frame_power(s.samples[:, mic])[~speech].mean()
        / frame_power(s.samples[:, mic])[speech].mean()
        for s in (scene, before)
    ]
    assert db(lift[0] / lift[1]) > 5


def test_opposite_polarity_turns_one_microphone_over() -> None:
    scene, before = damaged("polarity"), whole()
    signs = {float(np.median(scene.samples[:, m] / before.samples[:, m])) for m in (0, 1)}
    assert signs == {1.0, -1.0}
    assert scene.truth.polarity == "opposite"


def test_dual_mono_leaves_no_difference() -> None:
    scene = damaged("dual_mono")
    damage = of_kind(scene, "dual_mono")[0]
    one, two = scene.samples[part(damage.start_s, damage.end_s)].T.astype(float)
    gain = (one @ two) / (one @ one)
    assert np.abs(two - gain * one).max() < 1e-5


@pytest.mark.parametrize("how", ["silence", "hiss", "hum"])
def test_a_dead_microphone_holds_no_voice(how: str) -> None:
    scene, before = damaged("mic_dead", how), whole()
    damage = of_kind(scene, "mic_dead")[0]
    mic, here = ROLES.index(damage.mic), part(damage.start_s, damage.end_s)
    left, voice = scene.samples[here, mic].astype(float), before.samples[here, mic].astype(float)
    alike = abs(left @ voice) / np.sqrt((left @ left) * (voice @ voice) + 1e-30)
    assert alike < 0.05


def test_someone_turned_round_leaks_as_stated() -> None:
    scene = make_scene(14, "tuning", ("crosstalk_part",), 30.0, **{**FIXED, "distance_m": 2.0})
    (damage,) = (d for d in of_kind(scene, "crosstalk") if d.details.get("how") == "turned")
    speaker = other(damage.mic)
    mask = np.zeros_like(scene.truth.active[speaker])
    mask[round(damage.start_s * 100) : round(damage.end_s * 100)] = True
    mask &= scene.truth.active[speaker] & ~scene.truth.active[damage.mic]
    power = [
        frame_power(scene.samples[:, ROLES.index(role)])[mask].mean()
        for role in (damage.mic, speaker)
    ]
    loudness = scene.truth.speech_dbfs
    levelled = db(power[0] / power[1]) + loudness[speaker] - loudness[damage.mic]
    assert levelled == pytest.approx(damage.details["level_db"], abs=2.5)


def test_interruptions_have_both_people_speaking() -> None:
    scene = damaged("both_talking", None, 60.0)
    musts = [d for d in of_kind(scene, "both_talking") if d.expect == "must"]
    assert musts
    for damage in musts:
        here = slice(round(damage.start_s * 100), round(damage.end_s * 100))
        together = scene.truth.active[ROLES[0]][here] & scene.truth.active[ROLES[1]][here]
        assert together.sum() >= 100


def test_a_machine_that_starts_raises_the_background_of_both() -> None:
    scene, before = damaged("background_change"), whole()
    starts, *stops = of_kind(scene, "background_change")
    end_s = stops[0].start_s if stops else 30.0
    added = frame_power(scene.samples[:, 0] - before.samples[:, 0])
    assert added[: round(starts.start_s * 100) - 1].max() < 1e-12
    inside = added[round(starts.start_s * 100) + 20 : round(end_s * 100) - 1]
    assert inside.min() > 0


def test_quiet_offset_and_camera_scenes_are_what_they_say() -> None:
    quiet = damaged("low_level")
    for damage in of_kind(quiet, "low_level"):
        assert quiet.truth.speech_dbfs[damage.mic] < -52
    offset = damaged("dc_offset")
    (damage,) = of_kind(offset, "dc_offset")
    mean = offset.samples[:, ROLES.index(damage.mic)].mean()
    assert mean == pytest.approx(damage.details["offset"], abs=1e-3)
    camera = make_scene(11, "tuning", ("one_place",), 20.0, speakers="test data", noise="hiss")
    assert all(abs(delay) < 0.1 for delay in camera.truth.delay_ms.values())


@pytest.mark.parametrize("name", FOOLERS)
def test_what_fools_a_detector_is_no_problem(name: str) -> None:
    settings: dict[str, Any] = {"speakers": "test data", "t60_s": 0.25}
    if name not in ("fridge or generator in the room", "voices or traffic outside"):
        settings["noise"] = "hiss"
    else:
        settings["noise"] = "machine"  # babble needs more voices than the test data holds
    settings["distance_m"] = 2.0
    scene = make_scene(21, "tuning", (), 20.0, (name,), **settings)
    assert not [d for d in scene.truth.damage if d.expect == "must"]
    assert np.isfinite(scene.samples).all()
    assert np.abs(scene.samples).max() < 1.0


@pytest.mark.parametrize(("machine_db", "expected"), [(-10.0, "may"), (3.0, "may"), (10.0, "must")])
@pytest.mark.parametrize("at_s", [1.0, 5.0, 9.0])
def test_a_machine_that_a_louder_one_hides_is_not_asked_for(
    machine_db: float, expected: str, at_s: float
) -> None:
    """Equal powers add up to 3 dB, one of twice as much to 4.8, of ten times to 10.4."""
    rng = np.random.default_rng(3)
    noise, machine = rng.standard_normal((2, 10 * SAMPLE_RATE_HZ))
    machine[part(0.0, at_s)] = 0.0
    sound = (noise + machine * 10 ** (machine_db / 20)).astype(np.float32)
    starts = Damage("background_change", None, at_s, at_s, "must", {})
    mix = SimpleNamespace(noise=dict.fromkeys(ROLES, sound), damage=[starts])
    hidden_changes(mix)
    assert [damage.expect for damage in mix.damage] == [expected]


@pytest.mark.parametrize(("over_db", "expected"), [(9.0, {"note"}), (20.0, {"may"})])
def test_a_limiter_that_is_driven_far_too_hot_has_cut_its_tops(over_db, expected) -> None:
    """No step of 16 bits is left of the bend: as good as clipped, neither owed nor an alarm."""
    told: list[Any] = []
    seconds = np.arange(SAMPLE_RATE_HZ) / SAMPLE_RATE_HZ
    tone = np.sin(2 * np.pi * 200 * seconds) * 10 ** (over_db / 20)
    mix = SimpleNamespace(
        notes={"shout": ("subject", "limiter", 1.0)},
        recorded={"subject": tone.astype(np.float32)},
        note=lambda *said, **_: told.append(said),
    )
    clip(mix)
    assert {said[4] for said in told} == expected
    runs = np.diff(np.flatnonzero(np.diff(np.round(mix.recorded["subject"] * 2**15))))
    assert (runs.max() > 30) == (expected == {"may"})
