"""A machine in plain words: every part and limit of its card is told."""

from __future__ import annotations

import re

import pytest

from tapewright.cards import MachineCard, describe_machine, load_machine, machine_names, parse_card


def test_a_whole_description():
    assert describe_machine(load_machine("fescue-trainer")) == [
        "fescue-trainer: Fescue trainer, keypad and display on one board",
        "Source: made up for Tapewright; output stage as in two port bits through R and 2 R into a coupling"
        " capacitor, input stage as in one transistor behind a coupling capacitor, common practice",
        "Format: mallow-fsk-600",
        "Output stage: 2 port bits through 10 kohm, 20 kohm, 5 V",
        "  then a capacitor of 100 nF",
        "  into 10 kohm, of which 5 % is sent",
        "Input stage: a transistor with its emitter to ground, into a logic input",
        "  a coupling capacitor of 68 nF",
        "  a pull-down of 2.2 kohm, in the lead, not on the board",
        "  10 kohm to the base, current gain 200",
        "  4.7 kohm from the collector to 5 V",
        "  the collector counts as high from 2 V on, and as low again from 0.8 V down",
        "Load routine: looks at the input bit every 12 us and measures how long it is 0",
        "  kind 0: 60 us to 225 us",
        "  kind 1: 225 us to 700 us",
        "  anything else is an error",
        "Connector: 5-pin DIN socket, at the edge of the board",
        "  1: to the recorder's microphone input",
        "  2: ground",
        "  3: from the recorder's ear socket",
        "  in the lead: a resistor of 2.2k from pin 3 to pin 2, inside the plug at the board's end of the"
        " lead",
        "  Take the lead off before you switch the board on or off.",
        "Memory for programs: 0200..07FF (below is the monitor's own; there is nothing from 0800 on)",
        "Caution: The board's negative supply stands on pin 4 of this socket for the maker's own printer. A"
        " lead with all five pins wired brings it into the recorder: use one with pins 1 to 3 only.",
        "Caution: Memory is gone when the power is: verify the tape before you switch off.",
    ]


def numbers_in(lines: list[str]) -> list[float]:
    """All values told, in ohms, farads, seconds, amperes, volts, hertz."""
    size = {"": 1, "M": 1e6, "k": 1e3, "m": 1e-3, "u": 1e-6, "n": 1e-9, "p": 1e-12}
    found = re.findall(r"(?<![\w.])(\d+(?:\.\d+)?)(?: ([Mkmunp]?)(?:ohm|F|s|A|V|Hz)\b)?", "\n".join(lines))
    return [float(number) * size[prefix] for number, prefix in found]


@pytest.mark.parametrize("name", machine_names())
def test_every_value_of_input_and_loop_is_told(name):
    card = load_machine(name)
    lines = describe_machine(card)
    assert all(line.isprintable() and "None" not in line and "True" not in line for line in lines)
    values_told = numbers_in([line for line in lines if not line.startswith(("Source", "Caution", "Memory"))])
    values = {key: getattr(card.input, key) for key in type(card.input).model_fields}
    values |= {key: getattr(card.loop, key) for key in type(card.loop).model_fields if key != "limits"}
    for key, value in values.items():
        if isinstance(value, float) and value:
            assert any(one == pytest.approx(value) for one in values_told), key
    for limit in card.loop.limits:
        # counts are told as the whole numbers on either side
        near = [limit] if card.loop.reads not in ("count", "burst") else [limit - 0.5, limit + 0.5]
        assert any(one == pytest.approx(value) for one in values_told for value in near), limit


CARD = """
card   = "machine"
name   = "x"
title  = "X"
source = "the tests"
format = "kcs-300"
"""


def told(text: str) -> str:
    return "\n".join(describe_machine(parse_card(CARD + text, MachineCard, "x")))


def test_what_is_not_in_a_card_is_not_told():
    assert describe_machine(parse_card(CARD, MachineCard, "x")) == [
        "x: X",
        "Source: the tests",
        "Format: kcs-300",
    ]


def test_what_else_a_stage_can_have():
    gate = "low_volts = 0.8\nhigh_volts = 1.6\n"
    base = f'[input]\nkind = "transistor"\nbase_ohms = "1M"\ncollector_ohms = 470\n{gate}'
    bare = told(base)
    assert "no pull-down: nothing drains the capacitor" in bare
    assert "coupled directly" in bare
    assert "1 Mohm to the base, current gain 200" in bare
    assert "470 ohm from the collector to 5 V" in bare
    more = told(
        base + 'pulldown_ohms = "10k"\nbias_ohms = "220k"\nis_inverted = true\ncoupling_farads = "4.7u"\n'
    )
    assert "a pull-down of 10 kohm, on the board" in more
    assert "1 Mohm to the base, 220 kohm from there to the supply, current gain 200" in more
    assert "a coupling capacitor of 4.7 uF" in more
    assert "what it says is turned over on its way to the input bit" in more
    ttl = told(
        f'[input]\nkind = "schmitt"\nupper_ohms = "3.3k"\nlower_ohms = "2.2k"\n{gate}input_amps = "0.18m"\n'
    )
    assert "3.3 kohm to 5 V and 2.2 kohm to ground" in ttl
    assert "the gate gives 180 uA while it is low" in ttl


@pytest.mark.parametrize(
    "reads, limits, more, lines",
    [
        (
            "cycle",
            '["280u", "600u", "1.2m"]',
            "",
            ["the time from one rise to the next", "kind 1: 600 us to 1.2 ms"],
        ),
        ("halves", '["1m", "2m"]', "", ["how long it is 1 and how long it is 0", "kind 0: 1 ms to 2 ms"]),
        # from the first limit up to, but not including, the next: 4, 5, 6 and then 7 alone
        (
            "count",
            "[4, 7, 8]",
            'window_seconds = "1m"',
            ["windows of 1 ms", "kind 0: 4 to 6 ch", "kind 1: 7 changes"],
        ),
    ],
)
def test_what_a_loop_measures(reads, limits, more, lines):
    text = told(f'[loop]\npoll_seconds = "10u"\nreads = "{reads}"\nlimits = {limits}\n{more}\n')
    assert "every 10 us" in text
    assert [line for line in lines if line not in text] == []
