"""docs/machine-cards.md names everything there is, and its examples and messages are real."""

from __future__ import annotations

import re
from pathlib import Path
from typing import get_args

import pytest

from tapewright.cards import MachineCard, load_format, load_machine, machine_names, parse_card
from tapewright.cards.machine import Caution, Connector, Memory, OutputStage
from tapewright.cards.machine_input import INPUT_KINDS, LoadLoop
from tapewright.machine.loop import LEADER_SYMBOLS, Reader
from tapewright.model import CardError

PAGE = (Path(__file__).parents[2] / "docs" / "machine-cards.md").read_text(encoding="utf-8")
KEYS = PAGE.partition("## Every key")[2].partition("## A template")[0]
(TEMPLATE,) = re.findall(r"```toml\n(.*?)```", PAGE, re.S)


def section(heading: str) -> str:
    return KEYS.partition(f"### {heading}")[2].partition("\n### ")[0]


@pytest.mark.parametrize(
    "heading, models",
    [
        ("The card", [MachineCard]),
        ("`[output]`", [OutputStage]),
        ("`[input]`", INPUT_KINDS.values()),
        ("`[loop]`", [LoadLoop]),
        ("`[connector]`", [Connector, Memory, Caution]),
    ],
)
def test_every_key_is_on_the_page_and_no_other(heading, models):
    keys = {key for model in models for key in model.model_fields}
    rows = re.findall(r"^\| (`.*?) \|", section(heading), re.M)
    assert {key for row in rows for key in re.findall(r"`(\w+)`", row)} == keys


def test_every_kind_and_measurement_is_on_the_page():
    assert [kind for kind in INPUT_KINDS if f'`"{kind}"`' not in KEYS] == []
    words = get_args(LoadLoop.model_fields["reads"].annotation)
    assert len(words) == 6
    before = PAGE.partition("## Every key")[0]
    assert [word for word in words if f'| `"{word}"` |' not in before] == []


def test_defaults_are_those_on_the_page():
    for table, models in (("`[output]`", [OutputStage]), ("`[input]`", INPUT_KINDS.values())):
        for model in models:
            for key, field in model.model_fields.items():
                if isinstance(field.default, float) and field.default:
                    told = re.findall(rf"^\| `{key}` \|.*\| ([\w.]+) \|$", section(table), re.M)
                    sizes = {"M": 1e6, "m": 1e-3}
                    values = [float(t.rstrip("Mm")) * sizes.get(t[-1], 1) for t in told if t != "needed"]
                    assert any(value == pytest.approx(field.default) for value in values), key


def test_every_built_in_card_is_on_the_page_with_its_stage_and_format():
    rows = re.findall(r"^\| `([\w-]+)` \| .* \| `([\w-]+)` \| .* \|$", PAGE.partition("## From")[0], re.M)
    assert sorted(rows) == sorted((name, load_machine(name).format) for name in machine_names())


def test_the_template_loads_and_its_loop_reads_its_format():
    card = parse_card(TEMPLATE, MachineCard, "docs")
    assert card.input is not None
    assert card.loop is not None
    Reader.of(load_format(card.format), card.loop, card.input)


@pytest.mark.parametrize(
    "name, reads, limits",
    [
        ("reed-pwm-1500", "high", [100e-6, 330e-6, 530e-6, 800e-6]),
        ("heron-cycle-1600", "cycle", [280e-6, 600e-6, 800e-6]),
    ],
)
def test_error_messages_are_those_on_the_page(name, reads, limits):
    loop = LoadLoop(poll_seconds=10e-6, reads=reads, limits=limits)
    with pytest.raises(CardError) as caught:
        Reader.of(load_format(name), loop)
    assert f"\n{caught.value}\n" in PAGE


def test_the_page_says_how_much_leader_is_needed():
    assert LEADER_SYMBOLS == 8
    assert "eight of the leader's just before it" in PAGE
