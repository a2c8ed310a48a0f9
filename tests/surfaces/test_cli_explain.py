"""``read --explain`` and ``--format auto``: why, in a table and in JSON, and how sure the format is."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest

import sounds_of_nothing as sounds
import tapewright as tw
from command_line import PROGRAM, QUICK_CARD, run
from tapewright.audio import create_audio
from tapewright.cards import load_format
from tapewright.chain.read import LEAST_MARGIN_BITS
from tapewright.cli.document import reading_document
from tapewright.cli.stretches import stretch_rows
from tapewright.cli.telling import reading_lines
from tapewright.model import STAGES, STRETCH_KINDS, Span, Stretch

INTERFACE = (Path(__file__).parents[2] / "docs" / "interface.md").read_text(encoding="utf-8")
STRETCH_FIELDS = {"start_seconds", "end_seconds", "stage", "kind", "text", "remedy", "evidence"}


@pytest.fixture(scope="module")
def noise(tmp_path_factory):
    path = tmp_path_factory.mktemp("explain") / "noise.wav"
    with create_audio(path, sounds.RATE_HZ) as file:
        file.write(sounds.white_noise(2.0).astype(np.float32))
    return path


def table_of(out: str) -> list[str]:
    """Give the lines of the one table: headings and rows."""
    _, found, rest = out.partition("  Stretch by stretch:\n")
    assert found
    lines = rest.splitlines()
    return [line.strip() for line in lines[: next(k for k, line in enumerate(lines) if line[:1] != " ")]]


def test_the_table_tells_each_stretch_and_the_verdict_still_comes_last(tape):
    plain = run("read", tape.hurt, "--format", tape.card)
    ran = run("read", tape.hurt, "--format", tape.card, "--explain")
    assert ran.code == plain.code == 1
    assert set(plain.out.splitlines()) <= set(ran.out.splitlines())
    assert ran.out.splitlines()[-1] == plain.out.splitlines()[-1]
    assert "Stretch by stretch" not in plain.out
    headings, *rows = table_of(ran.out)
    assert headings.split() == ["from", "to", "what", "why", "what", "to", "do"]
    whats = [re.split(r"  +", row)[2] for row in rows]
    assert whats == ["silence", "CHECK FAILS", "dropout", "CHECK FAILS", "silence"]
    # what was silenced is 1.90 to 1.94 s of this tape (conftest)
    assert re.search(r"^1\.90 s  1\.94 s  dropout .* the level fell .* 40 ms", rows[2])
    assert "clean the heads" in rows[2]


def test_several_recordings_have_a_table_each(tape):
    ran = run("read", tape.sound, tape.hurt, "--format", tape.card, "--explain")
    assert ran.out.count("  Stretch by stretch:\n") == 2
    first, second = ran.out.index(str(tape.sound)), ran.out.index(str(tape.hurt))
    assert first < ran.out.index("Stretch by stretch:") < second < ran.out.rindex("Stretch by stretch:")


def test_json_has_the_stretches_only_when_asked_for(tape):
    plain = json.loads(run("read", tape.hurt, "--format", tape.card, "--json").out)
    whole = json.loads(run("read", tape.hurt, "--format", tape.card, "--explain", "--json").out)
    assert set(whole) - set(plain) == {"stretches"}
    stretches = whole["stretches"]
    assert all(set(stretch) == STRETCH_FIELDS for stretch in stretches)
    assert stretches[0]["start_seconds"] == 0
    assert stretches[-1]["end_seconds"] == pytest.approx(whole["recording"]["seconds"], abs=1e-4)
    assert all(a["end_seconds"] == b["start_seconds"] for a, b in pairwise(stretches))
    assert [s["kind"] for s in stretches] == ["silence", "check-failed", "dropout", "check-failed", "silence"]
    both = json.loads(run("read", tape.sound, tape.hurt, "--format", tape.card, "--explain", "--json").out)
    assert [len(one["stretches"]) for one in both["recordings"]] == [3, 5]


def test_the_page_names_every_stage_kind_and_field():
    section = INTERFACE.partition("### `read --explain --json`")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| `([\w-]+)` \| (.*?) \|$", section, re.M)
    assert rows[1:] == list(STRETCH_KINDS.items())  # after the heading
    example = json.loads(re.search(r"```json\n(.*?)```", section, re.S)[1])
    assert set(example["stretches"][0]) == STRETCH_FIELDS
    assert all(f"`{stage}`" in section for stage in STAGES)


def test_every_kind_of_stretch_has_a_word_in_the_table():
    stretches = [Stretch(Span(0, 1), "sound", kind, "found", None) for kind in STRETCH_KINDS]
    words = [row[2][0] for row in stretch_rows(stretches)]
    assert len(set(words)) == len(STRETCH_KINDS)


def test_auto_on_noise_cannot_tell_and_says_why(noise):
    ran = run("read", noise, "--explain")
    assert ran.code == 1
    assert "no format found" in ran.out.splitlines()[0]
    assert "cannot tell the format: nothing in" in ran.out
    assert "broadband noise" in table_of(ran.out)[-1]
    whole = json.loads(run("read", noise, "--json").out)
    assert [fault["kind"] for fault in whole["faults"]] == ["cannot-tell"]
    assert whole["auto"] == {
        "winner": None, "winner_bits": None, "runner_up": None, "runner_up_bits": None,
        "margin_bits": None, "can_tell": False,
    }  # fmt: skip


@pytest.fixture(scope="module")
def tried():
    """A reading whose format was looked for, among a few to save time."""
    return tw.read(tw.synthesize(PROGRAM, format="v23-1200"), format=["bell-103-300", "v23-1200", "kcs-300"])


def test_auto_names_winner_runner_up_and_margin(tried):
    document = reading_document(tried)
    auto = document["auto"]
    assert auto["winner"] == document["format"] == "v23-1200"
    assert auto["can_tell"] is True
    assert auto["runner_up"] in ("bell-103-300", "kcs-300")
    assert auto["margin_bits"] == pytest.approx(auto["winner_bits"] - auto["runner_up_bits"], abs=0.11)
    assert auto["margin_bits"] >= LEAST_MARGIN_BITS
    line = list(reading_lines(tried))[1][0]
    assert line.startswith("  format found: v23-1200, with ")
    assert f"runner-up: {auto['runner_up']}, {auto['margin_bits']:.0f} bits behind" in line


def test_a_check_that_agrees_wins_against_more_evidence(tried):
    """What is told then; which card wins is the chain's business."""
    reading = replace(tried, rivals=(("v23-1200", 50.0), ("kcs-300", 80.0)))
    assert reading_document(reading)["auto"]["margin_bits"] == -30
    assert (
        "as its check agrees; runner-up: kcs-300, with 80 bits but no check"
        in list(reading_lines(reading))[1][0]
    )


def test_a_named_format_has_nothing_to_say_of_others(tape):
    ran = run("read", tape.sound, "--format", tape.card)
    assert "runner-up" not in ran.out
    assert "auto" not in json.loads(run("read", tape.sound, "--format", tape.card, "--json").out)


def test_the_page_has_the_fields_of_auto(noise):
    section = INTERFACE.partition("### `read --format auto --json`")[2].partition("\n### ")[0]
    example = json.loads(re.search(r"```json\n(.*?)```", section, re.S)[1])
    real = json.loads(run("read", noise, "--json").out)
    assert set(example["auto"]) == set(real["auto"])
    assert f"less than {LEAST_MARGIN_BITS:g} bits" in " ".join(section.split())


def test_two_cards_that_are_alike_cannot_be_told_apart(tape, tmp_path):
    path = tmp_path / "twin.toml"
    path.write_text(QUICK_CARD.replace("quick-test", "twin-test"))
    reading = tw.read(tape.sound, format=[load_format(tape.card), load_format(path)])
    (fault,) = (fault for fault in reading.faults if fault.kind == "cannot-tell")
    assert "cannot tell whether the format is quick-test or twin-test" in fault.text
    assert "0.0 bits" in fault.text
    assert "--format" in fault.remedy
