"""Things that fool a careless detector; a scene with one of them expects no problem of its name."""

from scenes.kind import Kind

FOOLERS: dict[str, Kind] = {}
