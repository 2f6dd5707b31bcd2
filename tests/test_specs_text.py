"""Delivery specs as the command line shows them."""

import pytest

from dualmic.errors import SettingsError
from dualmic.report.specs_text import spec_text, spec_toml_text, specs_list_text
from dualmic.spec import MixLimits, TakeLimits
from dualmic.specs_file import load_spec, shipped_names

WIDTH = 80


def test_the_list_names_every_spec_with_its_target():
    text = specs_list_text()
    for name in shipped_names():
        (line,) = [line for line in text.splitlines() if line.startswith(name + " ")]
        assert f"{load_spec(name).programme.target_lufs:g} LUFS" in line


@pytest.mark.parametrize("name", shipped_names())
def test_a_spec_shows_every_limit_with_its_source_in_80_columns(name):
    text, spec = spec_text(name), load_spec(name)
    flat = " ".join(text.split())
    assert all(len(line) <= WIDTH for line in (text + specs_list_text()).splitlines())
    for group in (spec.take, spec.mix):
        for field in group.__struct_fields__:
            limit = getattr(group, field)
            if limit is not None:
                assert limit.source in flat
                for number in (limit.warn, limit.fail):
                    assert number in (None, 0) or f"{number:g} {limit.unit}" in flat
    assert spec.programme.source in flat
    assert spec.true_peak.source in flat
    assert "the client's own document rules" in flat


def test_every_limit_that_a_spec_can_set_has_words(tmp_path):
    units = {"LimitMs": "ms", "LimitDb": "db", "LimitS": "s", "LimitLu": "lu"}
    units |= {"LimitLufs": "lufs", "LimitHz": "hz", "LimitBit": "bit"}
    lines = ['extends = "podcast"']
    for table, struct in (("take", TakeLimits), ("mix", MixLimits)):
        for name, annotation in struct.__annotations__.items():
            unit = units[str(annotation).split("|")[0].strip().split(".")[-1].rstrip("'>")]
            lines += [f"[{table}.{name}]", f"fail_{unit} = 0", 'source = "the client"']
            lines += [f"warn_{unit} = 0"]
    path = tmp_path / "all.toml"
    path.write_text("\n".join(lines))
    assert spec_text(str(path)).count("the client") == len(TakeLimits.__struct_fields__) + len(
        MixLimits.__struct_fields__
    ) + spec_text(str(path)).count("the client's")


def test_a_tolerance_with_two_steps_shows_both():
    assert "warn beyond ±0.5, fail beyond ±1 LU" in spec_text("broadcast-eu")


def test_a_printed_file_is_a_start_for_ones_own(tmp_path):
    path = tmp_path / "my-client.toml"
    path.write_text(spec_toml_text("film"))
    assert load_spec(path).take == load_spec("film").take


def test_an_unknown_spec_is_named():
    with pytest.raises(SettingsError, match="Did you mean 'film'"):
        spec_toml_text("films")
