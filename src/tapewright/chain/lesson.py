"""Learning a format, for people: files in; card, conclusions, proof and what to record next out."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Literal, TypeVar

import numpy as np

from tapewright.audio import load
from tapewright.cards import FormatCard
from tapewright.chain.learn import Learned, as_unread, card_symbols, learn
from tapewright.chain.learn_blind import learn_blind
from tapewright.chain.read import read_source
from tapewright.chain.timings import Timings, compare_timings
from tapewright.chain.write import ImageLike, _image
from tapewright.files import write_text
from tapewright.learn.advice import Suggestion, advise
from tapewright.learn.conclusions import Conclusion, as_doubted, conclusions_of
from tapewright.learn.findings import Findings
from tapewright.learn.framing import find_framing
from tapewright.learn.known import Known, Needles
from tapewright.model import Image, ImageError, Reading, Recording, UsageError

__all__ = ["Lesson", "ReadBack", "Unlike", "learn_format"]

#: Fewer known bytes than this, or fewer runs of five that stand only once among them, are no evidence.
FEWEST_BYTES, FEWEST_RUNS = 16, 8
#: A recording that holds less than this share of the known bytes is of something else.
HOLDS_SHARE = 0.5
#: As many bytes that differ may be mistakes in the program file.
MOST_MISTYPED = 8
#: Why nothing of blocks is certain.
NO_CARD = "But it makes no card that could be tried."
NOT_READ = "But the card reads none of the recordings back."
#: What settles everything where nothing is known.
TELL_BYTES = Suggestion(
    "Key in a program, save it, and give the recording together with its bytes (--known): that settles"
    " all of it.",
    ("line code", "bit order", "data coding", "check"),
)

SoundLike = Recording | str | os.PathLike[str]
Stage = Literal["sound", "bits", "bytes", "card"]
T = TypeVar("T")


@dataclass(frozen=True)
class Unlike:
    """A byte of the program that is another one on tape.

    Parameters
    ----------
    offset : int
        From the first byte of the program.
    address : int or None
        Where it belongs, if that is known.
    program, tape : int
        What the program file says, and what was read.
    """

    offset: int
    address: int | None
    program: int
    tape: int

    def __str__(self) -> str:
        place = f"byte {self.offset}" if self.address is None else f"{self.address:04X}"
        return f"{place} is {self.tape:02X} on tape, {self.program:02X} in the program file"


@dataclass(frozen=True)
class ReadBack:
    """What came of reading one of the recordings with the card that was learned from it.

    Parameters
    ----------
    right, total : int
        How many of the known bytes were read right, of how many.
    check : str
        ``ok``, ``bad``, ``none`` or ``repaired``: the worst of its blocks.
    reading : Reading
    timings : Timings or None
        How the half-waves compare with those of the same program written with the card; None where they
        cannot be laid side by side.
    unlike : tuple of Unlike
        The bytes that are others on tape, where they are few: the program file may be mistyped.
    """

    right: int
    total: int
    check: str
    reading: Reading
    timings: Timings | None = None
    unlike: tuple[Unlike, ...] = ()

    @property
    def holds(self) -> bool:
        """Whether all of it came back and no check fails."""
        return self.right == self.total and self.check in ("ok", "none")


@dataclass(frozen=True, eq=False)
class Lesson:
    """What was learned of a format, and how sure it is.

    Parameters
    ----------
    learned : Learned
        Every step with its results, for pictures and tests.
    recordings : tuple of Recording
    knowns : tuple of Known
    conclusions : tuple of Conclusion
        Empty where no layout was found.
    suggestions : tuple of Suggestion
        What to record next, what settles most first; empty where nothing is open.
    proof : tuple of ReadBack
        One for each recording; empty without a card.
    sentence : str
        How far it got, in one line.
    remedy : str
        What to do where it failed.
    is_guess : bool
        Whether nobody said what was saved: `knowns` are supposed then, and nothing is proved.
    """

    learned: Learned
    recordings: tuple[Recording, ...]
    knowns: tuple[Known, ...]
    conclusions: tuple[Conclusion, ...]
    suggestions: tuple[Suggestion, ...]
    proof: tuple[ReadBack, ...]
    sentence: str
    remedy: str = ""
    is_guess: bool = False

    @property
    def card(self) -> FormatCard | None:
        """The card, if it got that far."""
        return self.learned.card

    @property
    def text(self) -> str | None:
        """The card as TOML, if it got that far."""
        return self.learned.text if self.learned.card is not None else None

    @property
    def stage(self) -> Stage:
        """How far it got: sound that is no data, bits, known bytes among them, or a card."""
        if not self.learned.codes:
            return "sound"
        if self.card is not None:
            return "card"
        return "bytes" if self.learned.framings else "bits"

    @property
    def is_proved(self) -> bool:
        """Whether the card reads every recording it was learned from, byte for byte as it is known."""
        return not self.is_guess and bool(self.proof) and all(back.holds for back in self.proof)

    def save(self, path: str | os.PathLike[str], *, force: bool = False) -> None:
        """Write the card.

        Raises
        ------
        UsageError
            If there is none.
        OutputError
            If the file is there already (and `force` is false) or cannot be written.
        """
        if self.text is None:
            raise UsageError(f"there is no card to write: {self.sentence}")
        write_text(path, self.text, force=force)

    def __repr__(self) -> str:
        return f"<Lesson: {self.sentence}>"


def learn_format(
    recordings: SoundLike | Sequence[SoundLike],
    *,
    known: ImageLike | Sequence[ImageLike] | None = None,
    start: int | Sequence[int | None] | None = None,
    name: str | Sequence[str | None] | None = None,
    card_name: str = "learned",
) -> Lesson:
    """Work out an unknown format from recordings of saves, best of such whose bytes are known.

    Parameters
    ----------
    recordings : path or Recording, or several
        Saves of one machine.
    known : path of a program file, Image or bytes, or several, optional
        What was saved: one for each recording, or one for all. Without it the format is guessed.
    start : int, or several, optional
        Address of the first byte, where the program does not say it.
    name : str, or several, optional
        What was typed as the program's name when saving.
    card_name : str
        What to call the format.

    Returns
    -------
    Lesson
        Its `card` reads and writes the format; `conclusions` say how sure each part of it is and why,
        `suggestions` what to record next. Where it failed, `card` is None, and `sentence` and `remedy` say
        how far it got and what to do.

    Raises
    ------
    TapewrightError
        If a file cannot be used, counts do not agree, or what is known is too little to be found.
    """
    sounds = [recordings] if isinstance(recordings, (Recording, str, os.PathLike)) else list(recordings)
    count = len(sounds)
    if not count:
        raise UsageError("there is no recording to learn from; give one at least")
    if known is None:
        if start is not None or name is not None:
            raise UsageError("an address or a name says something of known bytes; give those too, or neither")
        loaded = _loaded(sounds)
        return _lesson(learn_blind(loaded, name=card_name), loaded, (), is_guess=True)
    programs = [known] if isinstance(known, (Image, bytes, str, os.PathLike)) else list(known)
    starts = [start] if start is None or isinstance(start, int) else list(start)
    names = [name] if name is None or isinstance(name, str) else list(name)
    programs = _for_each(programs, count, "known programs")
    starts = _for_each(starts, count, "addresses")
    names = _for_each(names, count, "names")
    knowns = tuple(_known(*facts) for facts in zip(programs, starts, names, strict=True))
    loaded = _loaded(sounds)
    return _lesson(learn(loaded, knowns, name=card_name), loaded, knowns)


def _loaded(sounds: Sequence[SoundLike]) -> tuple[Recording, ...]:
    return tuple(sound if isinstance(sound, Recording) else load(sound) for sound in sounds)


def _lesson(
    learned: Learned, sounds: tuple[Recording, ...], knowns: tuple[Known, ...], *, is_guess: bool = False
) -> Lesson:
    """Draw conclusions, and try the card."""
    if learned.layout is None or learned.code is None:
        return _failed(learned, sounds, knowns, is_guess)
    layout, held = learned.layout, knowns or tuple(learned.supposed)
    found = Findings(
        learned.code, card_symbols(learned.code, layout), layout.framing, learned.framings,
        layout.kinds, layout.rules, held, layout.starts,
        layout.turned_lead_bits, layout.starts_lead_bits, is_guess, layout.misheard,
    )  # fmt: skip
    conclusions = conclusions_of(found)
    suggestions = (TELL_BYTES,) if is_guess else advise(found)
    if learned.card is None:
        failed = _failed(learned, sounds, held, is_guess)
        return replace(failed, conclusions=as_doubted(conclusions, NO_CARD), suggestions=suggestions)
    proof = tuple(_read_back(sound, learned.card, one) for sound, one in zip(sounds, held, strict=True))
    if not is_guess and not any(back.holds for back in proof):
        conclusions = as_doubted(conclusions, NOT_READ)
        learned = as_unread(learned)
    sentence, remedy = (_guessed(proof), "") if is_guess else (_success(proof), _doubt(proof))
    return Lesson(learned, sounds, held, conclusions, suggestions, proof, sentence, remedy, is_guess)


def _for_each(given: list[T], count: int, what: str) -> list[T]:
    """One for each recording, or one for all."""
    if len(given) == 1:
        return given * count
    if len(given) != count:
        recordings = "one recording" if count == 1 else f"{count} recordings"
        raise UsageError(
            f"{len(given)} {what} do not go with {recordings}; give one for each recording, in the same"
            " order, or one for all"
        )
    return given


def _known(program: ImageLike, start: int | None, name: str | None) -> Known:
    """What is known of one save, if it is enough."""
    image = _image(program, start)
    told = "the known program" if isinstance(program, (bytes, Image)) else os.fspath(program)
    if len(image.ranges) > 1:
        raise ImageError(
            f"{told} has {len(image.ranges)} ranges of addresses; give the bytes of one save,"
            " which is one range"
        )
    data = image.ranges[0].data if image.ranges else b""
    if len(data) < FEWEST_BYTES:
        raise ImageError(
            f"{told} has {len(data)} bytes, too few to be told from chance; save {FEWEST_BYTES} or more,"
            " better some hundred that differ much"
        )
    runs = len(Needles(data))
    if runs < FEWEST_RUNS:
        raise ImageError(
            f"the {len(data)} bytes of {told} are too much alike to know a place in them from another"
            f" ({_places_told(runs)}); save bytes that differ, such as 00 to FF, and give recordings and"
            " programs in the same order"
        )
    return Known(data, image.ranges[0].address, name if name is not None else image.name, image.run)


def _places_told(runs: int) -> str:
    if not runs:
        return "no place in them can be told from all others"
    return f"only {'one place' if runs == 1 else f'{runs} places'} in them can be told from all others"


def _read_back(sound: Recording, card: FormatCard, known: Known) -> ReadBack:
    reading = read_source(sound, card)
    heard = b"".join(piece.data for piece in reading.image)
    unlike = [k for k, (a, b) in enumerate(zip(heard, known.data, strict=False)) if a != b]
    right = min(len(heard), len(known.data)) - len(unlike)
    checks = {block.check for block in reading.blocks}
    worst = next((check for check in ("bad", "repaired", "ok") if check in checks), "none")
    extra = len(heard) > len(known.data)
    timings = compare_timings(sound, reading, known, card) if right == len(known.data) else None
    is_mistyped = len(heard) == len(known.data) and len(unlike) <= MOST_MISTYPED
    return ReadBack(
        right, len(known.data), "bad" if extra else worst, reading, timings,
        tuple(_unlike(k, heard, known) for k in unlike) if is_mistyped else (),
    )  # fmt: skip


def _unlike(offset: int, heard: bytes, known: Known) -> Unlike:
    address = None if known.start is None else known.start + offset
    return Unlike(offset, address, known.data[offset], heard[offset])


def _success(proof: Sequence[ReadBack]) -> str:
    right, total = sum(back.right for back in proof), sum(back.total for back in proof)
    which = {1: "the recording", 2: "both recordings"}.get(len(proof), f"all {len(proof)} recordings")
    if all(back.holds for back in proof):
        checked = " and their checks agree" if all(back.check == "ok" for back in proof) else ""
        return f"The card reads {which}: all {total} known bytes{checked}."
    bad = _numbered([n for n, back in enumerate(proof) if not back.holds])
    return f"The card reads {right} of {total} known bytes: not all of {bad} came back as it should."


def _guessed(proof: Sequence[ReadBack]) -> str:
    total = sum(back.right for back in proof)
    checked = sum(back.check == "ok" for back in proof)
    said = f" The check it supposes agrees in {checked} of {len(proof)}." if checked else ""
    return f"This is a guess, as nobody said what was saved: it makes {total} bytes of the recordings.{said}"


def _doubt(proof: Sequence[ReadBack]) -> str:
    """What to do about recordings the card does not read."""
    strange = [n for n, back in enumerate(proof) if back.right < HOLDS_SHARE * back.total]
    if 0 < len(strange) < len(proof):
        return f"check that {_numbered(strange)} is of the program given for it, and as clear as the others"
    if all(back.holds for back in proof):
        return ""
    if all(back.holds or back.unlike for back in proof):
        return (
            "look which is right, the tape or the program file, where they differ; if the tape is, mend the"
            " file and learn again"
        )
    right, total = sum(back.right for back in proof), sum(back.total for back in proof)
    is_usable = right >= HOLDS_SHARE * total
    until = "use the card with care until it is proved" if is_usable else "this card is of no use yet"
    return f"save again, with another program, and give all recordings; {until}"


def _failed(
    learned: Learned, sounds: tuple[Recording, ...], knowns: tuple[Known, ...], is_guess: bool
) -> Lesson:
    """Say how far it got, and what to do."""
    sentence, remedy = learned.problem, ""
    is_alone = len(sounds) == 1
    if not learned.codes:
        these = "this is a recording of a save" if is_alone else "these are recordings of saves"
        remedy = f"check that {these}, loud enough and not overdriven, and not of speech or music"
    elif is_guess:
        remedy = "key in a program, save it, and give the recording together with its bytes, with --known"
    elif not learned.framings:
        assert learned.code is not None
        sentence = f"The sound is data ({learned.code.family}), but the known bytes do not appear in it."
        each = (
            "the program file is"
            if is_alone
            else "recordings and programs are in the same order, and each file is"
        )
        remedy = (
            f"check that {each} what was saved, byte for byte; if so, save bytes that differ more, such as"
            " 00 to FF"
        )
        strangers = _strangers(learned, knowns)
        if 0 < len(strangers) < len(sounds):
            told = _numbered(strangers)
            sentence = f"The known bytes do not appear in {told}, but in the other recordings."
            remedy = "give each recording its own program, in the same order; or leave that recording out"
    else:
        remedy = f"save again, with another program, and give {'both' if is_alone else 'all'} recordings"
    return Lesson(learned, sounds, knowns, (), (), (), sentence, remedy, is_guess)


def _numbered(places: Sequence[int]) -> str:
    """Name recordings: ``recording 2``, ``recordings 1 and 3``."""
    *others, last = (str(place + 1) for place in places)
    return f"recordings {', '.join(others)} and {last}" if others else f"recording {last}"


def _strangers(learned: Learned, knowns: Sequence[Known]) -> list[int]:
    """Recordings in which the known bytes do not appear."""
    found = []
    for stream, known in zip(learned.streams, knowns, strict=False):
        framings = find_framing([stream], [known])
        found.append(max((framing.found for framing in framings), default=0.0))
    return [int(n) for n in np.flatnonzero(np.array(found) < HOLDS_SHARE)]
