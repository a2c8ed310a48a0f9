"""Which words of the card language a set of cards uses, worked out from the models themselves."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import Any, Literal, get_args, get_origin

from pydantic import BaseModel

from tapewright.cards import FormatCard
from tapewright.cards.checks import CrcCheck, CrcParameters
from tapewright.cards.format import BlockLayout, ByteFormat, LastWhen
from tapewright.cards.layout import ITEM_KINDS
from tapewright.cards.symbols import PIECE_KINDS

MODELS = [
    FormatCard,
    ByteFormat,
    BlockLayout,
    LastWhen,
    *ITEM_KINDS.values(),
    *PIECE_KINDS.values(),
    CrcCheck,
    CrcParameters,
]
#: `coding`, `xor` and `add` belong to six kinds of item; that some item has them is enough.
SHARED = ("coding", "xor", "add")


def _name(model: type[BaseModel], key: str) -> str:
    return f"item.{key}" if key in SHARED else f"{model.__name__}.{key}"


def _literals(annotation: Any) -> Iterator[Any]:
    if get_origin(annotation) is Literal:
        yield from get_args(annotation)
    for inner in get_args(annotation):
        yield from _literals(inner)


def all_features() -> set[str]:
    """Name every key, and every word that a key lets one choose from."""
    features = set()
    for model in MODELS:
        for key, field in model.model_fields.items():
            features.add(_name(model, key))
            for metadata in (field.annotation, *field.metadata):
                features |= {f"{_name(model, key)}={word}" for word in _literals(metadata)}
    return features


def used_features(cards: Iterable[FormatCard]) -> set[str]:
    """Name the keys that stand in these cards, and the words chosen (those chosen by saying nothing too)."""
    used: set[str] = set()
    for card in cards:
        for part in _parts(card):
            for key in type(part).model_fields:
                value = getattr(part, key)
                if key in part.model_fields_set:
                    used.add(_name(type(part), key))
                if isinstance(value, str):
                    used.add(f"{_name(type(part), key)}={value}")
    return used


def _parts(value: Any) -> Iterator[BaseModel]:
    if isinstance(value, BaseModel):
        yield value
        for key in type(value).model_fields:
            yield from _parts(getattr(value, key))
    elif isinstance(value, dict):
        for item in value.values():
            yield from _parts(item)
    elif isinstance(value, list):
        for item in value:
            yield from _parts(item)
