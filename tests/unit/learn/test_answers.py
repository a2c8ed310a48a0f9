"""A lesson asks each question once; what differs in anything that tells is another question."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from made_up_saves import program, trainer
from tapewright.learn.answers import Answers
from tapewright.learn.check_rule import CheckRule, Message
from tapewright.learn.facts import Facts, facts_of
from tapewright.learn.fields import explain_bytes
from tapewright.learn.known import Known
from tapewright.learn.samples import Sample

KNOWNS = [Known(program(1, 100), 0x0243, "ABLE"), Known(program(2, 61), 0x1357, "OAK")]
SAMPLES = [Sample(save, *trainer(known), 0, len(known.data)) for save, known in enumerate(KNOWNS)]
HEADS = [sample.head for sample in SAMPLES]


def facts() -> Facts:
    return facts_of(SAMPLES, SAMPLES, KNOWNS, [known.start for known in KNOWNS])


def test_the_same_bytes_are_described_once():
    answers = Answers()
    first = answers.explain_bytes(HEADS, facts(), "plain")
    assert answers.explain_bytes(list(HEADS), facts(), "plain") is first
    assert first == explain_bytes(HEADS, facts())


@pytest.mark.parametrize(
    "changed",
    [
        replace(facts(), order="be"),
        replace(facts(), saves=(0, 0)),
        replace(facts(), names=("ABLE", None)),
        replace(facts(), is_last=np.array([1, 0])),
        replace(facts(), numbers={"length": np.array([5, 6])}),
    ],
)
def test_other_facts_make_another_question(changed):
    answers = Answers()
    first = answers.explain_bytes(HEADS, facts(), "plain")
    assert answers.explain_bytes(HEADS, changed, "plain") is not first
    assert answers.explain_bytes(HEADS, changed, "plain") == explain_bytes(HEADS, changed)


def test_checks_are_sought_once_for_the_same_messages_constants_and_kin():
    messages = [Message.uncoded([("data", known.data)], bytes([sum(known.data) % 256])) for known in KNOWNS]
    answers, kin = Answers(), [CheckRule("sum8", ("data",))]
    first = answers.find_checks(messages, {"sync"}, kin)
    assert first[0].rule == kin[0]
    assert answers.find_checks(messages, {"sync"}, list(kin)) is first
    for other in ((messages[:1], {"sync"}, kin), (messages, set(), kin), (messages, {"sync"}, [])):
        assert answers.find_checks(*other) is not first
