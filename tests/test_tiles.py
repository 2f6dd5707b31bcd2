"""What a meter collects comes back whole, however long the take."""

import numpy as np
import pytest

from dualmic import tiles


@pytest.mark.parametrize("room_s", [1, 3, 100])
def test_a_stack_gives_back_what_was_put_on_it(monkeypatch: pytest.MonkeyPatch, room_s) -> None:
    monkeypatch.setattr(tiles, "STACK_S", room_s)
    rng = np.random.default_rng(1)
    # Pieces that do not fill the room evenly, the last one short, as at the end of a take.
    parts = [rng.normal(size=(2, n, 4)).astype(np.float16) for n in (10, 9, 10, 10, 9, 3)]
    stack = tiles.Stack()
    for number, part in enumerate(parts, start=1):
        stack.add(part)
        joined = stack.joined((2, 0, 4))
        assert joined.dtype == np.float16
        np.testing.assert_array_equal(joined, np.concatenate(parts[:number], axis=1))


def test_an_empty_stack_has_the_shape_asked_for() -> None:
    assert tiles.Stack().joined((2, 0, 7), np.uint16).shape == (2, 0, 7)
