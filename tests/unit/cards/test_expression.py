"""Expressions: they work out as whole-number arithmetic does, and everything else is refused."""

from __future__ import annotations

import ast
import contextlib
import operator
import re

import pytest
from hypothesis import assume, example, given
from hypothesis import strategies as st

from tapewright.cards import Expression
from tapewright.model import CardError

VARIABLES = {"start": 512, "end": 767, "length": 256, "n_1": 3}

# A tree is a number, a name, ("neg", tree) or (operator, tree, tree); worked out here without any parsing.
LEAVES = st.integers(0, 0xFFFF) | st.sampled_from(sorted(VARIABLES))
TREES = st.recursive(
    LEAVES,
    lambda tree: st.tuples(st.just("neg"), tree) | st.tuples(st.sampled_from("+-*"), tree, tree),
    max_leaves=9,
)
OPERATORS = {"+": operator.add, "-": operator.sub, "*": operator.mul}


def work_out(tree):
    if isinstance(tree, int):
        return tree
    if isinstance(tree, str):
        return VARIABLES[tree]
    if tree[0] == "neg":
        return -work_out(tree[1])
    return OPERATORS[tree[0]](work_out(tree[1]), work_out(tree[2]))


def write(tree, draw):
    """Write a tree as text with a bracket around every inner one, and spaces and hexadecimal by chance."""
    space = draw(st.sampled_from(["", " ", "  "]))
    if isinstance(tree, int):
        return draw(st.sampled_from([str(tree), hex(tree), f"0X{tree:X}"])) + space
    if isinstance(tree, str):
        return tree + space
    if tree[0] == "neg":
        return f"(-{write(tree[1], draw)}){space}"
    return f"({write(tree[1], draw)}{tree[0]}{space}{write(tree[2], draw)})"


@given(TREES, st.data())
def test_value_equals_that_of_the_tree_the_text_was_written_from(tree, data):
    text = write(tree, data.draw)
    assume(len(text) <= 200)
    expected = work_out(tree)
    assume(abs(expected) <= 1 << 66)
    assert Expression.parse(text).value(VARIABLES) == expected


@given(st.lists(st.tuples(st.sampled_from("+-*"), LEAVES), min_size=1, max_size=12), LEAVES)
def test_precedence_without_brackets_is_that_of_python(terms, first):
    text = f"{first}" + "".join(f" {op} {leaf}" for op, leaf in terms)
    assume(len(text) <= 200)
    expected = eval(text, {"__builtins__": {}}, VARIABLES)  # our own text, as an independent route
    assume(abs(expected) <= 1 << 66)
    assert Expression.parse(text).value(VARIABLES) == expected


@pytest.mark.parametrize(
    "text, expected",
    [
        ("end - start + 1", 256),
        ("10 - 4 - 3", 3),
        ("2 + 3 * 4", 14),
        ("(2 + 3) * 4", 20),
        ("-2 * -3", 6),
        ("0x10 + 010", 26),
        (" start ", 512),
        ("0 - start", -512),
    ],
)
def test_examples(text, expected):
    assert Expression.parse(text).value(VARIABLES) == expected


@pytest.mark.parametrize(
    "text",
    [
        "",
        " ",
        "+",
        "1 +",
        "1 1",
        "a b",
        "1a",
        "()",
        "(1",
        "1)",
        "2 ** 3",
        "4 / 2",
        "4 // 2",
        "5 % 2",
        "a.b",
        "a[0]",
        "f(1)",
        "f()",
        "1 if a else 2",
        "a == b",
        "a, b",
        "'a'",
        "~1",
        "1.5",
        "1e3",
        "0x",
        "0xg",
        "0b1",
        "1_000",
        "a=1",
        "lambda: 1",
        "__import__('os')",
        "[1]",
        "{1}",
        "a;b",
        "+1",
        "1\x00",
        "٣",
        "a\u00e9",
        "#",
        "a@b",
        "a&b",
    ],
)
def test_anything_else_is_refused(text):
    with pytest.raises(CardError) as caught:
        Expression.parse(text).value({"a": 1, "b": 1, "f": 1, "if": 1, "else": 1, "lambda": 1})
    assert f"'{text}'" in str(caught.value)


@given(st.text(alphabet="abx019+-*()/%.,[]='\"^&~<>@: \n", max_size=12))
@example("a**b")
@example("a -- b")
def test_whatever_is_accepted_is_plain_arithmetic(text):
    try:
        expression = Expression.parse(text)
    except CardError:
        return
    # Python is pickier about leading zeros and line breaks, nothing else.
    plain = re.sub(r"\b0+(?=[0-9])", "", " ".join(text.split()))
    tree = ast.parse(plain, mode="eval")
    allowed = (
        ast.Expression,
        ast.BinOp,
        ast.UnaryOp,
        ast.Name,
        ast.Constant,
        ast.Load,
        ast.Add,
        ast.Sub,
        ast.Mult,
        ast.USub,
    )
    assert all(isinstance(node, allowed) for node in ast.walk(tree))
    assert expression.names == {node.id for node in ast.walk(tree) if isinstance(node, ast.Name)}
    values = dict.fromkeys(expression.names, 7)
    assert expression.value(values) == eval(plain, {"__builtins__": {}}, values)


@given(st.text(max_size=250))
@example("(" * 200)
@example("-" * 200)
@example("(" * 20 + "1" + ")" * 20)
@example("1" * 200)
@example("1*" * 99 + "1")
@example("9" * 201)
@example("a" * 200)
@example(")" * 200)
def test_no_text_brings_forth_anything_but_a_card_error(text):
    with contextlib.suppress(CardError):
        Expression.parse(text).value({})


@pytest.mark.parametrize(
    "text, message",
    [
        ("end - strat", "'strat' has no value here"),
        ("1 + )", "a name or a number is missing before ')'"),
        ("(1 + 2", "a bracket is not closed"),
        ("1 + 2)", "no bracket is open"),
        ("start end", "'end' is not expected here; write + - or * before it"),
        ("start / 2", "'/' cannot be used; an expression has names of earlier fields, whole numbers"),
        ("(" * 30 + "1" + ")" * 30, "brackets are nested more than 20 deep"),
        ("1" + " " * 200, "201 characters long; 200 is the most"),
        ("0xffffffffffff * 0xffffffffffff", "more than any address or length"),
    ],
)
def test_message_says_where_it_stops_making_sense(text, message):
    with pytest.raises(CardError, match=re.escape(message)):
        Expression.parse(text).value(VARIABLES)
