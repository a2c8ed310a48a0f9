"""All figures of one reading, each with its title and what it shows."""

from __future__ import annotations

from dataclasses import dataclass

import plotly.graph_objects as go

from tapewright.cards import FormatCard
from tapewright.model import AudioSource, Reading
from tapewright.report.closeup import choose_place, closeup_figure
from tapewright.report.lengths import half_wave_figure, symbol_length_figure
from tapewright.report.sound import SoundSurvey, take_stretch
from tapewright.report.strip import strip_figure
from tapewright.report.tracks import confidence_figure, level_figure, speed_figure, typical_speed

__all__ = ["Picture", "draw_pictures"]

BOUNDARIES = " Thin lines are the boundaries of symbols; above them stands what each was taken for."


@dataclass(frozen=True, eq=False)
class Picture:
    """A figure and the words that belong to it.

    Parameters
    ----------
    name : str
        Short, for files and anchors: ``strip``, ``confidence``, ``speed``, ``level``, ``half-waves``,
        ``symbols``, ``closeup``.
    title : str
    caption : str
    figure : plotly.graph_objects.Figure
    along_time : bool
        Whether its horizontal axis is time on the whole recording.
    """

    name: str
    title: str
    caption: str
    figure: go.Figure
    along_time: bool = False

    @property
    def is_empty(self) -> bool:
        """Whether there was nothing to draw; the figure then says why."""
        return not self.figure.data


def draw_pictures(
    reading: Reading, card: FormatCard, source: AudioSource, survey: SoundSurvey
) -> list[Picture]:
    """Draw everything there is to see.

    Parameters
    ----------
    reading : Reading
    card : FormatCard
        The card it was read with.
    source : AudioSource
        The recording it was read from; only the stretch shown close up is taken from it.
    survey : SoundSurvey
        From :func:`tapewright.report.sound.survey_sound`.

    Returns
    -------
    list of Picture
        The tape strip first.

    Raises
    ------
    TapewrightError
        If the recording can no longer be read.
    """
    place = choose_place(reading, survey)
    stretch = take_stretch(source, reading.source.channel, place.span.start_seconds, place.span.end_seconds)
    return [
        Picture(
            "strip",
            "The whole tape",
            "The sound from beginning to end, with what was found in it: blocks (taller where damaged), gaps"
            " without any symbol, faults. Drag across to zoom, double-click to see all again; the other"
            " pictures along time follow.",
            strip_figure(reading, survey),
            along_time=True,
        ),
        Picture(
            "confidence",
            "How sure the bytes are",
            "Each dot is a byte, lower is better. Above the dotted line a byte is doubtful.",
            confidence_figure(reading),
            along_time=True,
        ),
        Picture(
            "speed",
            "Tape speed",
            _speed_words(reading) + "A slow regular swing is wow, a quick one flutter.",
            speed_figure(reading),
            along_time=True,
        ),
        Picture(
            "level",
            "Level and noise",
            "How loud the signal came in, and the noise in the same band. The farther apart they are, the"
            " surer the bytes.",
            level_figure(reading),
            along_time=True,
        ),
        Picture(
            "half-waves",
            "Half-waves",
            "Lengths of all but the quiet half-waves. The dotted lines are where the format card has its own:"
            " sharp peaks beside them, moved together, mean a wrong speed; broad ones, noise or flutter.",
            half_wave_figure(survey, card),
        ),
        Picture(
            "symbols",
            "Symbol lengths",
            "How long each kind of symbol was heard to last. The dotted lines are the card's lengths.",
            symbol_length_figure(reading, card),
        ),
        Picture(
            "closeup",
            "Up close",
            place.label + (BOUNDARIES if len(reading.symbols) else ""),
            closeup_figure(reading, place, stretch),
        ),
    ]


def _speed_words(reading: Reading) -> str:
    """Say how fast the tape ran and how unsteadily."""
    found = typical_speed(reading)
    if found is None:
        return ""
    middle, swing = found
    return f"In the middle {middle:+.1f} % (dotted), mostly within {swing:.1f} % of that. "
