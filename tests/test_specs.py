"""Delivery specs: the published numbers, and what happens to a client's own file."""

import tomllib
from pathlib import Path

import pytest

from dualmic.errors import SettingsError
from dualmic.spec import Limit, Spec
from dualmic.specs_file import load_spec, shipped_names, shipped_specs, shipped_toml


def own(tmp_path: Path, text: str, name: str = "my-client.toml") -> Path:
    path = tmp_path / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("name", "target_lufs", "warn_lu", "fail_lu", "max_dbtp"),
    [
        # EBU R 128: recommends -23.0 LUFS and at most -1 dBTP; version 3.0 (June 2014) allowed
        # 0.5 LU, version 4.0 (August 2020) 1 LU in production (EBU's own page of the document).
        ("broadcast-eu", -23.0, 0.5, 1.0, -1.0),
        # ATSC A/85:2013: target loudness -24 LKFS, within 2 dB; true peak below -2 dBTP.
        ("broadcast-us", -24.0, None, 2.0, -2.0),
        # AES TD1008 (2021), section 4: speech at -18 LUFS, at most -1 dBTP into the encoder.
        # The tolerance is from memory.
        ("online-speech", -18.0, None, 1.0, -1.0),
        # Common practice; no standard.
        ("podcast", -16.0, None, 1.0, -1.0),
        # Common practice of streamed features, measured on speech; no standard.
        ("film", -27.0, None, 2.0, -2.0),
    ],
)
def test_a_shipped_spec_holds_the_published_numbers(name, target_lufs, warn_lu, fail_lu, max_dbtp):
    spec = load_spec(name)
    assert spec.programme.target_lufs == target_lufs
    assert spec.programme.warn_beyond_lu == warn_lu
    assert spec.programme.fail_beyond_lu == fail_lu
    assert spec.true_peak.max_dbtp == max_dbtp


def test_a_podcast_lies_in_the_window_for_streams_and_a_mono_file_3_lu_below_a_stereo_one():
    programme = load_spec("podcast").programme
    # AES TD1004.1.15-10 (2015): not over -16 LUFS and not under -20 LUFS.
    assert -20.0 <= programme.target_lufs <= -16.0
    # ITU-R BS.1770-5, annex 1: two equal channels sum to 10 log10(2) = 3.01 more than one.
    assert programme.target_lufs - programme.mono_target_lufs == pytest.approx(3.01, abs=0.05)


def test_a_film_is_measured_on_its_speech_and_a_broadcast_on_everything():
    measured = {spec.name: spec.programme.measured_on for spec in shipped_specs()}
    assert measured["film"] == "speech"
    # EBU R 128 and ATSC A/85 measure the programme with all its content.
    assert measured["broadcast-eu"] == measured["broadcast-us"] == "programme"


def limits_of(spec: Spec) -> list[Limit]:
    found = [
        getattr(group, name) for group in (spec.take, spec.mix) for name in group.__struct_fields__
    ]
    return [limit for limit in found if limit is not None]


@pytest.mark.parametrize("spec", shipped_specs(), ids=lambda spec: spec.name)
def test_every_shipped_limit_has_a_number_and_a_source(spec):
    assert len(limits_of(spec)) >= 10
    for limit in limits_of(spec):
        assert limit.warn is not None or limit.fail is not None
        assert any(
            word in limit.source for word in ("practice", "our choice", "EBU", "AES", "ATSC")
        )


@pytest.mark.parametrize("name", shipped_names())
def test_the_text_of_a_shipped_spec_is_a_start_for_ones_own(name, tmp_path):
    mine = load_spec(own(tmp_path, shipped_toml(name)))
    assert mine.name == "my-client"
    assert (mine.programme, mine.take, mine.mix) == (
        load_spec(name).programme,
        load_spec(name).take,
        load_spec(name).mix,
    )


def test_a_client_changes_one_number_and_inherits_the_rest(tmp_path):
    spec = load_spec(own(tmp_path, 'extends = "film"\n[take.speech_to_noise]\nwarn_db = 30\n'))
    film = load_spec("film")
    assert spec.take.speech_to_noise.warn == 30.0
    assert spec.take.speech_to_noise.fail == film.take.speech_to_noise.fail
    assert spec.take.crosstalk == film.take.crosstalk


def test_a_changed_number_does_not_keep_the_source_of_the_old_one(tmp_path):
    spec = load_spec(own(tmp_path, 'extends = "podcast"\n[programme]\ntarget_lufs = -14\n'))
    assert spec.programme.source == "set in my-client.toml"
    assert spec.true_peak.source == load_spec("podcast").true_peak.source


def test_a_new_target_does_not_keep_the_mono_target_of_the_old_one(tmp_path):
    spec = load_spec(own(tmp_path, 'extends = "podcast"\n[programme]\ntarget_lufs = -14\n'))
    assert spec.programme.mono_target_lufs is None


def test_a_client_drops_a_check(tmp_path):
    spec = load_spec(own(tmp_path, 'extends = "podcast"\n[take.crosstalk]\noff = true\n'))
    assert spec.take.crosstalk is None
    assert spec.take.clipping is not None


def test_a_clients_file_builds_on_another_file_beside_it(tmp_path):
    own(tmp_path, 'extends = "film"\n[true_peak]\nmax_dbtp = -3\n', "house.toml")
    spec = load_spec(own(tmp_path, 'extends = "house.toml"\ntitle = "Series"\n'))
    assert (spec.title, spec.true_peak.max_dbtp) == ("Series", -3.0)


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            'extends = "podcast"\n[take.cliping]\nwarn_ms = 3',
            "nearest right one is 'take.clipping'",
        ),
        (
            'extends = "podcast"\n[take.clipping]\nwarn_db = 3',
            "'take.clipping.warn_db'; the nearest right one is 'take.clipping.warn_ms'",
        ),
        ('extends = "podcast"\nzzz = 3', "unknown key 'zzz'; it may hold title, summary"),
        ('extends = "podcast"\nname = "x"', "unknown key 'name'"),
        (
            'extends = "podcast"\n[take.clipping]\nwarn_ms = "x"',
            "'take.clipping.warn_ms': Expected",
        ),
        ('extends = "podcast"\n[take.clipping]\nwarn_ms = nan', "'take.clipping.warn_ms' is nan"),
        ('extends = "podcast"\n[take.clipping]\nwarn_ms = 20', "'take.clipping' warns at 20 only"),
        (
            'extends = "podcast"\n[take.speech_to_noise]\nwarn_db = 5',
            "'take.speech_to_noise' warns",
        ),
        ('extends = "podcast"\n[take.crosstalk]\noff = "yes"', "'take.crosstalk.off' takes true"),
        ('extends = "podcast"\n[programme]\ntarget_lufs = 16', "'programme.target_lufs': Expected"),
        ('extends = "podcast"\ntake = 3', "'take' must be a table: [take]"),
        ('extends = "podcst"', "Did you mean 'podcast'?"),
        ("extends = 3", '"extends" takes the name'),
        ('extends = "my-client.toml"', "extends itself"),
        ('title = "x"', "lacks 'programme': add it, or start the file with extends = \"podcast\""),
        ("a = [", "is not a TOML file"),
    ],
)
def test_a_wrong_key_or_value_is_named_in_one_line(tmp_path, text, said):
    with pytest.raises(SettingsError) as caught:
        load_spec(own(tmp_path, text))
    message = str(caught.value)
    assert said in message
    assert "my-client.toml" in message
    assert "\n" not in message


def test_two_files_that_extend_each_other_are_told_so(tmp_path):
    own(tmp_path, 'extends = "my-client.toml"\n', "house.toml")
    with pytest.raises(SettingsError, match="extends itself"):
        load_spec(own(tmp_path, 'extends = "house.toml"\n'))


def test_a_misspelt_name_gets_the_nearest_one_and_a_missing_file_its_reason(tmp_path):
    with pytest.raises(SettingsError, match="Did you mean 'broadcast-eu'"):
        load_spec("brodcast-eu")
    with pytest.raises(SettingsError, match="No such file"):
        load_spec(tmp_path / "nowhere.toml")


def test_a_binary_file_is_not_a_spec(tmp_path):
    path = tmp_path / "picture.toml"
    path.write_bytes(b"\xff\xd8\xff\xe0")
    with pytest.raises(SettingsError, match="is not a TOML file"):
        load_spec(path)


def test_a_clients_file_may_not_take_the_name_of_a_shipped_one(tmp_path):
    with pytest.raises(SettingsError, match="another name"):
        load_spec(own(tmp_path, 'extends = "film"', "film.toml"))


def test_shipped_files_are_toml_that_any_reader_takes():
    assert all(tomllib.loads(shipped_toml(name))["title"] for name in shipped_names())
