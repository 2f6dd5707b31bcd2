"""Delivery specs: what a podcast, a film or a client asks for, each number with its source.

A spec is one TOML file; those that come with the package lie in ``dualmic/specs/`` and go by
their file's name. A client's own file may build on one of them with ``extends = "podcast"`` and
then holds only what differs. A table with ``off = true`` drops a check it would inherit.

    >>> load_spec("podcast").programme.target_lufs
    -16.0
"""

import difflib
import functools
import math
import re
import tomllib
import types
import typing
from importlib import resources
from pathlib import Path
from typing import Any

import msgspec

from dualmic.errors import SettingsError
from dualmic.spec import FLOORS, Limit, Spec

MAX_FILE_BYTES = 1_000_000  # our choice: a spec is a page of text; more is some other file


@functools.cache
def shipped_names() -> tuple[str, ...]:
    """Names of the specs that come with the package, sorted."""
    files = (resources.files("dualmic") / "specs").iterdir()
    return tuple(sorted(f.name.removesuffix(".toml") for f in files if f.name[-5:] == ".toml"))


def shipped_specs() -> list[Spec]:
    """Every spec that comes with the package, in the order of their names."""
    return [load_spec(name) for name in shipped_names()]


def shipped_toml(name: str) -> str:
    """Text of a shipped spec's file, comments and all.

    Raises:
        SettingsError: when no shipped spec has that name; the nearest one is named.

    """
    if name not in shipped_names():
        raise SettingsError(_no_such_spec(name))
    return (resources.files("dualmic") / "specs" / f"{name}.toml").read_text(encoding="utf-8")


def load_spec(name_or_path: str | Path) -> Spec:
    """Return a shipped spec by its name, or a client's own by the path of its TOML file.

    Raises:
        SettingsError: when there is no such spec or file, or when a key or value is wrong; the
            message names the key and, for a misspelt one, the nearest right one.

    """
    text = str(name_or_path)
    if text in shipped_names():
        return _shipped(text)
    if text.endswith(".toml") or Path(text).is_file():
        path = Path(text)
        name, tables = path.name.removesuffix(".toml"), _read(path, ())
        if name in shipped_names():
            raise SettingsError(
                f"{path} would go by the name {name!r}, which comes with dualmic already: "
                "give the file another name."
            )
    else:
        raise SettingsError(_no_such_spec(text))
    return _convert({"name": name, **tables}, text)


@functools.cache
def _shipped(name: str) -> Spec:
    tables = _resolve(tomllib.loads(shipped_toml(name)), name, None, ())
    return _convert({"name": name, **tables}, name)


def _no_such_spec(name: str) -> str:
    near = difflib.get_close_matches(name, shipped_names(), 1)
    hint = f"Did you mean {near[0]!r}? " if near else ""
    return (
        f"There is no delivery spec {name!r}. {hint}Those that come with dualmic: "
        f"{', '.join(shipped_names())}; your own is given as a file that ends in .toml."
    )


def _read(path: Path, seen: tuple[str, ...]) -> dict[str, Any]:
    """Tables of a client's file with what it extends filled in."""
    try:
        with path.open("rb") as file:
            data = file.read(MAX_FILE_BYTES + 1)
    except OSError as error:
        raise SettingsError(f"Cannot read the delivery spec {path}: {error.strerror}.") from error
    if len(data) > MAX_FILE_BYTES:
        raise SettingsError(f"{path} is too large for a delivery spec: is it the right file?")
    try:
        tables = tomllib.loads(data.decode("utf-8"))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError, RecursionError) as error:
        raise SettingsError(f"{path} is not a TOML file: {error}.") from error
    return _resolve(tables, str(path), path.parent, seen)


def _resolve(
    tables: dict[str, Any], where: str, folder: Path | None, seen: tuple[str, ...]
) -> dict[str, Any]:
    """Check the keys, then lay ``tables`` over the spec that they extend."""
    base = tables.pop("extends", None)
    _check_keys(tables, Spec, where, "")
    if base is None:
        return _drop_off(tables)
    if not isinstance(base, str):
        raise SettingsError(f'{where}: "extends" takes the name of one spec in quotes.')
    if base in shipped_names():
        below = _resolve(tomllib.loads(shipped_toml(base)), base, None, ())
    elif base.endswith(".toml"):
        path = (folder or Path()) / base
        here = str(path.resolve())
        if here in seen or here == str(Path(where).resolve()):
            raise SettingsError(f"{where} extends itself, by way of {base!r}: end that circle.")
        below = _read(path, (*seen, here))
    else:
        raise SettingsError(f'{where}: "extends": {_no_such_spec(base)}')
    return _drop_off(_lay_over(below, tables, f"set in {Path(where).name}"))


def _lay_over(below: dict[str, Any], above: dict[str, Any], source: str) -> dict[str, Any]:
    """Merge two tables; a changed number without a new source no longer has the old one's."""
    merged = dict(below)
    for key, value in above.items():
        old = below.get(key)
        if isinstance(value, dict) and isinstance(old, dict):
            value = _lay_over(old, value, source)
        merged[key] = value
    changed = any(merged[key] != below.get(key) for key in above if key not in ("source", "off"))
    if "source" in below and "source" not in above and changed:
        merged["source"] = source
    if "target_lufs" in above and "mono_target_lufs" not in above:
        merged.pop("mono_target_lufs", None)  # it belonged to the old target
    return merged


def _drop_off(tables: dict[str, Any]) -> dict[str, Any]:
    """Leave out every table that says ``off = true``."""
    return {
        key: _drop_off(value) if isinstance(value, dict) else value
        for key, value in tables.items()
        if not (isinstance(value, dict) and value.get("off") is True) and key != "off"
    }


def _struct_of(annotation: Any) -> type[msgspec.Struct] | None:
    """Return the struct that a field holds, looked for inside ``X | None`` as well."""
    options = (
        typing.get_args(annotation) if isinstance(annotation, types.UnionType) else (annotation,)
    )
    for option in options:
        if isinstance(option, type) and issubclass(option, msgspec.Struct):
            return option
    return None


@functools.cache
def _tables_in(struct: type[msgspec.Struct]) -> dict[str, type[msgspec.Struct] | None]:
    """Return the keys that a table may hold, each with the struct of the table it holds."""
    fields = {f.encode_name: _struct_of(f.type) for f in msgspec.structs.fields(struct)}
    if struct is Spec:
        del fields["name"]  # the file's name
    return fields


def _check_keys(table: dict[str, Any], struct: type[msgspec.Struct], where: str, at: str) -> None:
    """Raise for the first key that no such table has, and name the nearest right one."""
    fields = _tables_in(struct)
    for key, value in table.items():
        if key == "off" and issubclass(struct, Limit):
            if not isinstance(value, bool):
                raise SettingsError(f"{where}: {at + key!r} takes true or false.")
            continue
        if key not in fields:
            near = difflib.get_close_matches(key, fields, 1, cutoff=0.5)
            hint = (
                f"the nearest right one is {at + near[0]!r}"
                if near
                else "it may hold " + (", ".join(at + field for field in fields))
            )
            raise SettingsError(f"{where}: unknown key {at + key!r}; {hint}.")
        inner = fields[key]
        if inner is not None:
            if not isinstance(value, dict):
                raise SettingsError(f"{where}: {at + key!r} must be a table: [{at + key}].")
            _check_keys(value, inner, where, f"{at}{key}.")
        elif isinstance(value, float) and not math.isfinite(value):
            raise SettingsError(f"{where}: {at + key!r} is {value}: give a finite number.")


def _convert(tables: dict[str, Any], where: str) -> Spec:
    try:
        spec = msgspec.convert(tables, Spec)
    except msgspec.ValidationError as error:
        message, _, path = str(error).partition(" - at `$")
        key = path.strip("`.")
        missing = re.fullmatch(r"Object missing required field `(\w+)`", message)
        if missing:
            full = f"{key}.{missing[1]}".strip(".")
            raise SettingsError(
                f'{where} lacks {full!r}: add it, or start the file with extends = "podcast".'
            ) from error
        raise SettingsError(f"{where}: {key!r}: {message.replace('`', '')}.") from error
    _check_order(spec, where)
    return spec


def _check_order(spec: Spec, where: str) -> None:
    """Raise where a limit would fail before it warns."""
    target = spec.programme
    if target.warn_beyond_lu is not None and target.warn_beyond_lu > target.fail_beyond_lu:
        raise SettingsError(f"{where}: 'programme' warns only beyond where it fails already.")
    for group_name, group in (("take", spec.take), ("mix", spec.mix)):
        for field in msgspec.structs.fields(group):
            limit = getattr(group, field.name)
            if limit is None or limit.warn is None or limit.fail is None:
                continue
            wrong = limit.warn < limit.fail if field.name in FLOORS else limit.warn > limit.fail
            if wrong:
                raise SettingsError(
                    f"{where}: '{group_name}.{field.name}' warns at {limit.warn:g} only beyond "
                    f"where it fails already, {limit.fail:g}: are the two swapped?"
                )
