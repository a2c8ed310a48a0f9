"""Learning one made-up format, from one recording, from two, from three, and whether it is fully right."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np

from benchmarks.learn.agreement import problem_of
from benchmarks.learn.contradicted import Contradicted, claims_of, contradicted
from benchmarks.learn.formats import MadeUp, random_format, random_program, random_start
from benchmarks.learn.saves import save
from benchmarks.learn.untold import is_untold
from tapewright import read
from tapewright.chain.learn import Learned, learn
from tapewright.learn.known import Known
from tapewright.model import Recording

__all__ = ["Lesson", "lessons"]

#: What the product asks for first is some hundred bytes; a fresh recording may be shorter.
TAUGHT_BYTES, FRESH_BYTES = (256, 600), (32, 512)
NAMES = ("MADEUP", "OTHER", "THIRD", "FRESH")
#: How many drafts of a format are passed over because its own card does not read the fresh recording.
MOST_DRAFTS = 5


@dataclass(frozen=True)
class Lesson:
    """What came of learning one format from so many recordings.

    Parameters
    ----------
    seed : int
    family : str
    traits : tuple of str
    recordings : int
    problem : str
        Empty where all is right.
    claims : int
        Checks claimed for blocks with data.
    wrong : tuple of str
        How sure each claim was that the fresh recording shows to be wrong (`Contradicted`).
    beside : int
        Claims it contradicts that were held open, with a rival that holds.
    is_untold : bool
        Whether the recordings do not tell a check, to anybody; see `benchmarks.learn.untold`.
    cpu : float
        Seconds of the processor that learning took.
    """

    seed: int
    family: str
    traits: tuple[str, ...]
    recordings: int
    problem: str
    claims: int
    wrong: tuple[str, ...]
    beside: int
    is_untold: bool
    cpu: float


def _saved(
    made_up: MadeUp, name: str, limits: tuple[int, int], rng: np.random.Generator
) -> tuple[Recording, Known]:
    count = round(float(np.exp(rng.uniform(*np.log(limits)))))
    program, start = random_program(rng, made_up, count), random_start(rng)
    return save(made_up, program, start, name, rng), Known(program, start, name)


def lessons(seed: int, family: str, counts: tuple[int, ...]) -> list[Lesson]:
    """Make a format up, and learn it from one recording, from two, from three."""
    rng = np.random.default_rng([seed, 17])
    for _ in range(MOST_DRAFTS):
        made_up = random_format(rng, family)
        saves = [_saved(made_up, name, TAUGHT_BYTES, rng) for name in NAMES[: max(counts)]]
        fresh, known = _saved(made_up, NAMES[-1], FRESH_BYTES, rng)
        if not problem_of(read(fresh, format=made_up.card), made_up, known.data, known.start or 0):
            return [_lesson(seed, made_up, saves[:count], fresh, known) for count in counts]
    return []


def _lesson(
    seed: int, made_up: MadeUp, saves: list[tuple[Recording, Known]], fresh: Recording, known: Known
) -> Lesson:
    began = time.process_time()
    try:
        learned = learn([recording for recording, _ in saves], [one for _, one in saves])
    except Exception as error:
        learned = Learned(problem=f"fault: {error!r}")
    cpu = time.process_time() - began
    against = Contradicted()
    claims = [claim for kind in (learned.layout.kinds if learned.layout else ()) for claim in claims_of(kind)]
    problem = learned.problem.rstrip(".")
    if learned.card is not None:
        reading = read(fresh, format=learned.card)
        problem = problem_of(reading, made_up, known.data, known.start or 0)
        if b"".join(piece.data for piece in reading.image) == known.data:  # so it is the check that is not
            against = contradicted(learned, reading, fresh)
    return Lesson(
        seed, made_up.family, made_up.traits, len(saves), problem, len(claims), against.wrong,
        against.beside, is_untold(made_up, [recording for recording, _ in saves]), cpu,
    )  # fmt: skip
