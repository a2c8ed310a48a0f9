"""A clock drawn through places that mean nothing, as in music, carries no symbols out of the recording."""

from __future__ import annotations

import numpy as np
import pytest

from symbol_cards import recording_of
from tapewright.cards import load_format
from tapewright.line import decode, polish


def test_symbols_stay_where_the_first_pass_heard_them(monkeypatch: pytest.MonkeyPatch) -> None:
    card = load_format("osier-biphase-s-1200")
    data = "".join(np.random.default_rng(5).choice(["0", "1"], 800))
    tape = recording_of("1" * 400 + data + "1" * 100, card)
    heard = decode(tape, card).symbols
    smooth_clock = polish.smooth_clock

    def strayed(*measured: object) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        place, pace, uncertain = smooth_clock(*measured)  # type: ignore[arg-type]
        return place - 2.6e6, pace, uncertain  # found in music: it ran forward, minutes before its beginning

    monkeypatch.setattr(polish, "smooth_clock", strayed)
    found = decode(tape, card).symbols
    assert found.text == heard.text
    assert np.abs(found.start_seconds - heard.start_seconds).max() < 2e-4
