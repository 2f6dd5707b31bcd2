"""Every kind of damage the kit can do, by the name of the problem a tool should report."""

from scenes.kind import Kind

KINDS: dict[str, Kind] = {}
