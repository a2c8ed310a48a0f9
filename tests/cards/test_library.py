"""The built-in format cards: true to their standards, findable on tape, and using the whole card language."""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import tapewright.cards
from card_features import all_features, used_features
from tapewright.cards import Alphabet, format_names, load_format, load_machine, machine_names
from tapewright.cards.format import WRITER_NAMES
from tapewright.cards.layout import Check, FieldItem, Lead, Mark, Sync
from tapewright.cards.symbols import Tone

NAMES = format_names()
CARDS = [load_format(name) for name in NAMES]
MADE_UP = [card.name for card in CARDS if card.source.startswith("made up for Tapewright")]
SYNCHRONOUS = [card.name for card in CARDS if not card.byte.is_asynchronous]
LIBRARY = Path(tapewright.cards.__file__).parent / "library"


def bits_of(card, data):
    order = range(card.byte.bits) if card.byte.order == "lsb" else range(card.byte.bits - 1, -1, -1)
    return "".join(str(byte >> bit & 1) for byte in data for bit in order)


def test_names_are_those_of_the_files_and_none_clashes():
    assert [card.name for card in CARDS] == NAMES
    assert len({card.title for card in CARDS}) == len(CARDS)
    machines = [path.stem for path in (LIBRARY / "machines").glob("*.toml")]
    assert not set(NAMES) & set(machines)


@pytest.mark.parametrize("name", NAMES)
def test_every_card_says_where_its_facts_come_from(name):
    card = load_format(name)
    assert len(card.source) > 20
    assert card.notes.strip()
    if name in MADE_UP:
        assert "line code as in" in card.source
        assert "common practice" in card.source


def test_there_are_a_card_for_each_family_and_those_of_the_standards():
    families = [
        "single-cycle FSK", "one half-wave a bit", "a pair of equal half-waves", "tone-duration ratio",
        "tone burst and silence", "biphase-L", "biphase-M", "biphase-S", "clock and data pulses",
        "three-length pulse pairs", "two port bits", "N-cycle FSK",
    ]  # fmt: skip
    sources = " ".join(load_format(name).source for name in MADE_UP)
    assert [family for family in families if family not in sources] == []
    standards = set(NAMES) - set(MADE_UP)
    assert standards == {"kcs-300", "kcs-1200", "v21-300", "v23-1200", "bell-103-300", "bell-202-1200"}


def test_every_word_of_the_card_language_is_in_some_card():
    # of a built-in format every byte's meaning is known
    assert all_features() - used_features(CARDS) == {"FieldItem.varies"}


def test_every_name_the_writer_knows_is_in_some_card():
    fields = [item for card in CARDS for b in card.block for item in b.layout if isinstance(item, FieldItem)]
    used = {item.field for item in fields if item.value is None}
    used |= {name for item in fields if item.value is not None for name in item.value.names}
    assert set(WRITER_NAMES) - used == set()


def test_checks_cover_each_kind_of_thing_they_can_cover():
    covered = set()
    for card in CARDS:
        for block in card.block:
            kinds = dict.fromkeys(block.field_names, "field") | dict.fromkeys(block.text_names, "text")
            for item in block.layout:
                if isinstance(item, Check):
                    covered |= {kinds.get(name, name) for name in item.over}
    assert covered == {"field", "text", "data", "sync", "fixed"}


@pytest.mark.parametrize("name", NAMES)
def test_symbols_lie_where_a_cassette_recorder_still_plays(name):
    alphabet = Alphabet.of(load_format(name))
    # Portable recorders play 100 Hz to 8 kHz: common practice, standards.md section 4.1.
    hertz = [segment.hertz for shape in alphabet.shapes for segment in shape.segments if segment.hertz]
    assert max(hertz) <= 8000
    assert all(1e-4 < shape.seconds < 0.05 for shape in alphabet.shapes)
    assert 100 <= 1 / alphabet.mean_bit_seconds <= 3000


@pytest.mark.parametrize("name", NAMES)
def test_the_bit_rate_is_the_one_in_the_name(name):
    promised = float(name.rsplit("-", 1)[1])
    assert 1 / Alphabet.of(load_format(name)).mean_bit_seconds == pytest.approx(promised, rel=0.02)


@pytest.mark.parametrize("name", NAMES)
def test_the_first_leader_gives_the_recorder_time_to_settle(name):
    first = load_format(name).block[0].layout[0]
    assert isinstance(first, Lead)
    assert 2.0 <= first.seconds <= 6.0
    assert 0.2 <= first.at_least <= 0.5


@pytest.mark.parametrize("name", SYNCHRONOUS)
def test_the_sync_ends_the_leader_with_its_very_first_symbol(name):
    card = load_format(name)
    for block in card.block:
        lead, anchor = block.layout[:2]
        assert isinstance(lead, Lead)
        if isinstance(anchor, Mark):
            # a mark may begin with the leader's symbol, but must go on with another
            assert set(anchor.mark) - set(lead.lead)
        else:
            assert isinstance(anchor, Sync)
            assert bits_of(card, anchor.sync)[0] not in lead.lead


@pytest.mark.parametrize("name", SYNCHRONOUS)
def test_a_sync_does_not_match_itself_shifted_nor_leader_and_sync_together(name):
    card = load_format(name)
    for block in card.block:
        lead, anchor = block.layout[:2]
        mark = anchor.mark if isinstance(anchor, Mark) else bits_of(card, anchor.sync)
        heard = lead.lead * 64 + mark
        assert heard.count(mark) == 1
        assert heard.find(mark) == len(heard) - len(mark)
        if getattr(anchor, "times", 1) > 1:
            assert (mark + mark).find(mark, 1) == len(mark)


def test_where_polarity_is_absolute_the_sync_tells_it():
    for name in SYNCHRONOUS:
        card = load_format(name)
        alphabet = Alphabet.of(card)
        zero, one = (alphabet.shapes[alphabet.names.index(bit)] for bit in "01")
        flipped = [(-s.level, s.seconds) for s in zero.segments]
        if alphabet.has_free_phase or flipped != [(s.level, s.seconds) for s in one.segments]:
            continue
        sync = bits_of(card, card.block[0].layout[1].sync)
        upside_down = sync.translate(str.maketrans("01", "10"))
        assert sync not in "0" * 64 + upside_down + "0" * 64
        assert sync not in "1" * 64 + upside_down + "1" * 64
        assert name == "larch-biphase-l-2000"
        return
    pytest.fail("no card turns its bits over when the signal is upside down")


@pytest.mark.parametrize(
    "name", ["reed-pwm-1500", "teasel-three-1170", "heron-cycle-1600", "thistle-burst-320"]
)
@given(data=st.data())
def test_no_two_texts_of_symbols_sound_alike(name, data):
    # Half-waves are told by their lengths, tones by frequency too, levels by their sign. A code in which two
    # texts of symbols give the same row of these cannot be read whatever the receiver does.
    card = load_format(name)
    rows = {
        shape.name: tuple((p.kind, p.hertz, p.level, round(p.seconds * 1e7)) for p in shape.segments)
        for shape in Alphabet.of(card).shapes
    }
    text = data.draw(st.text("".join(rows), max_size=8))
    row = tuple(piece for symbol in text for piece in rows[symbol])
    ways = {(): [""]}
    for end in range(1, len(row) + 1):
        ways[row[:end]] = [
            before + symbol
            for symbol, pieces in rows.items()
            if row[:end][-len(pieces) :] == pieces
            for before in ways.get(row[: end - len(pieces)], [])
        ]
    assert ways[row] == [text]


# Tones of standards.md section 2: ITU-T V.21 and V.23, Bell 103 and 202 (all second-hand there).
MODEMS = {
    "v21-300": (980, 1180, 300),
    "v23-1200": (1300, 2100, 1200),
    "bell-103-300": (1270, 1070, 300),
    "bell-202-1200": (1200, 2200, 1200),
}


@pytest.mark.parametrize("name, mark_hz, space_hz, rate", [(name, *facts) for name, facts in MODEMS.items()])
def test_modem_tones(name, mark_hz, space_hz, rate):
    card = load_format(name)
    (mark,), (space,) = card.symbols["1"], card.symbols["0"]
    assert isinstance(mark, Tone)
    assert isinstance(space, Tone)
    assert (mark.tone, space.tone) == (mark_hz, space_hz)
    assert mark.seconds == pytest.approx(1 / rate, rel=1e-14)
    assert space.seconds == pytest.approx(1 / rate, rel=1e-14)
    assert Alphabet.of(card).has_free_phase


@pytest.mark.parametrize("name", ["v21-300", "bell-103-300"])
def test_modem_tones_are_too_far_apart_for_a_wrong_tape_speed_to_swap_them(name):
    tones = [pieces[0].tone for pieces in load_format(name).symbols.values()]
    assert max(tones) / min(tones) > 1.14  # receivers look for speeds within +-14 %


def half_waves(card, bits):
    alphabet = Alphabet.of(card)
    lengths = []
    for bit in bits:
        for segment in alphabet.shapes[alphabet.names.index(bit)].segments:
            assert segment.kind == "tone"
            lengths += [0.5e6 / segment.hertz] * round(2 * segment.hertz * segment.seconds)
    return lengths


def test_kansas_city_rules():
    # standards.md section 1.1, from the standard's own text (BYTE, February 1976)
    card = load_format("kcs-300")
    assert card.symbols == {"0": [Tone(tone=1200, cycles=4)], "1": [Tone(tone=2400, cycles=8)]}
    byte = card.byte
    assert (byte.start, byte.bits, byte.order, byte.stop) == ("0", 8, "lsb", "11")
    assert byte.parity == "none"
    lead = card.block[0].layout[0]
    assert lead.lead == "1"
    assert lead.seconds >= 5
    assert not card.carries_addresses


def test_kansas_city_worked_example():
    # standards.md section 1.3: 41h is 0 10000010 11; 120 half-waves, 56 long and 64 short, 36666.667 us
    card = load_format("kcs-300")
    lengths = half_waves(card, card.byte.start + bits_of(card, b"\x41") + card.byte.stop)
    assert len(lengths) == 120
    assert sum(us > 312.5 for us in lengths) == 56
    assert sum(lengths) == pytest.approx(36666.667, abs=0.001)
    # and 26 half-waves, 8333.333 us, in the derivative with one stop bit
    card = load_format("kcs-1200")
    lengths = half_waves(card, card.byte.start + bits_of(card, b"\x41") + card.byte.stop)
    assert len(lengths) == 26
    assert sum(lengths) == pytest.approx(8333.333, abs=0.001)


@pytest.mark.parametrize("name", machine_names())
def test_every_machine_card_is_complete_and_says_where_its_facts_come_from(name):
    machine = load_machine(name)
    assert machine.name == name
    assert machine.format in NAMES
    assert machine.source.startswith("made up for Tapewright; ")
    assert "common practice" in machine.source
    assert machine.input is not None
    assert machine.loop is not None
    assert machine.connector is not None
    assert machine.connector.pins
    assert machine.memory is not None
    assert machine.caution


@pytest.mark.parametrize("name", machine_names())
def test_a_machine_card_reasons_about_its_values(name):
    # every table of electrical and timing values, and most lines in it, with a comment
    text = (LIBRARY / "machines" / f"{name}.toml").read_text(encoding="utf-8")
    for table in ("input", "loop"):
        body = text.partition(f"[{table}]\n")[2].partition("\n\n")[0]
        values = [line for line in body.splitlines() if re.match(r"[a-z_]+ +=", line)]
        assert sum("#" in line for line in values) >= len(values) - 3


def test_machine_titles_differ_and_some_lead_has_a_part_in_it():
    machines = [load_machine(name) for name in machine_names()]
    assert len({machine.title for machine in machines}) == len(machines)
    assert any(machine.connector.bridge for machine in machines)
