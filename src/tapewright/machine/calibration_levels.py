"""Levels of calibration steps in a recording: find the marks, then measure the tone where the steps are."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from tapewright.machine.calibration_plan import Burst, CalibrationPlan
from tapewright.model import Fault, Recording, SignalError, Span

__all__ = ["Calibration", "StepLevel", "measure_levels"]

FloatArray = npt.NDArray[np.float64]

#: Speeds looked for: 10 % either way, and what interpolation needs beside it.
SPEED_REACH = 0.12
#: Frames for the speed; steps are at least a second.
_FRAME_SECONDS = 0.4
#: Time step of the envelope in which marks are looked for, and its smoothing.
_HOP_SECONDS, _SMOOTH_HOPS = 0.005, 6
_MARGIN_SECONDS = 0.3
#: Correlation with the mark's envelope from which it is one; noise alone reaches 0.5 or so.
LEAST_MATCH = 0.75
#: Both marks may disagree by this share of the time between them: what tape drifts. More is a pause.
MOST_DRIFT = 0.008
#: Of a step, the part in its middle that is measured: the dial's last turn and a drift stay outside.
_MIDDLE_SHARE = 0.6
#: What is there beside a step is heard from so near to it to so far.
_BESIDE_SECONDS = 0.1, 0.5
#: Half width of the band the tone's power is summed over, as a share of its frequency: at least this, three
#: standard deviations of a tone that wavers more, and at most what a wow is believed to reach.
_LINE_SHARE, _WOW_REACH = 0.012, 0.04
#: The noise is taken from beside it, up to so many half widths away.
_NOISE_WIDTH = 4.0
#: Least signal-to-noise ratio in that band of a step that is heard, and of one whose swing is believed.
LEAST_SNR_DB, STEADY_SNR_DB = 10.0, 25.0
MOST_SWING_DB = 1.0
#: Second and third harmonic together, over the tone, from which a step counts as clipped: above the 3 % third
#: harmonic that tape makes at its reference limit. A sine cut at 0.85 of its peak has 5.7 %, and has lost
#: 0.6 dB of its fundamental.
MOST_HARMONICS = 0.05
#: Flat tops: this share of samples in runs of three or more at the extreme value, of a wave at least so high.
_FLAT_SHARE, _FLAT_RUN, _FLAT_PEAK, _FLAT_TOLERANCE = 0.002, 3, 0.05, 1e-4


@dataclass(frozen=True)
class StepLevel:
    """One step as it was heard.

    Parameters
    ----------
    step : int
        Its number, from 1.
    level_db : float or None
        Of its tone in dB, where 0 is a sine that just fills the file; None where it was not heard.
    snr_db : float
        Power of the tone over that of the noise in the band it was measured in.
    is_clipped : bool
        Whether its tops are flat, or its harmonics too strong.
    is_steady : bool
        Whether its level stayed within 1 dB.
    span : Span
        The stretch that was measured.
    """

    step: int
    level_db: float | None
    snr_db: float
    is_clipped: bool
    is_steady: bool
    span: Span


@dataclass(frozen=True)
class Calibration:
    """What a recording of calibration steps told.

    Parameters
    ----------
    steps : tuple of StepLevel
    channel : int
        The one that was measured.
    speed : float
        Of the recorder; 1.02 is 2 % fast.
    faults : tuple of Fault
        What is wrong with which step, and what to do.
    """

    steps: tuple[StepLevel, ...]
    channel: int
    speed: float
    faults: tuple[Fault, ...]

    @property
    def usable(self) -> list[tuple[int, float]]:
        """Number and level in dB of each step that was heard, not clipped, and steady."""
        return [
            (step.step, step.level_db)
            for step in self.steps
            if step.level_db is not None and step.is_steady and not step.is_clipped
        ]


@dataclass(frozen=True)
class _Tone:
    """The tone in one channel: how strong, how fast, and the standard deviation of its frequency, a share."""

    strength: float
    speed: float
    spread: float


def measure_levels(recording: Recording, plan: CalibrationPlan, channel: int | None) -> Calibration:
    """See `calibrate.measure_calibration`."""
    if recording.rate_hz < 4.0 * plan.tone_hz:
        raise SignalError(
            f"a recording at {recording.rate_hz:g} Hz does not hold the marks of a {plan.tone_hz:g} Hz tone;"
            f" record at {4 * plan.tone_hz:g} Hz or more",
            path=recording.path,
        )
    channels = range(recording.channels) if channel is None else [channel]
    tones = {c: _tone(recording.samples[:, c], recording.rate_hz, plan.tone_hz) for c in channels}
    channel = max(tones, key=lambda c: tones[c].strength)
    tone, samples = tones[channel], recording.samples[:, channel]
    since, stretch = _placed(samples, recording, plan, tone.speed)
    half = max(_LINE_SHARE, min(3.0 * tone.spread, _WOW_REACH))
    steps = tuple(
        _measured(samples, recording.rate_hz, burst, plan.tone_hz * tone.speed, half, since, stretch)
        for burst in plan.steps()
    )
    faults = [fault for step in steps for fault in _faults(step, recording.seconds)]
    return Calibration(steps, channel, 1.0 / stretch, tuple(faults))


def _tone(samples: npt.NDArray[np.float32], rate_hz: float, tone_hz: float) -> _Tone:
    """Find the tone, and by its frequency the speed it was played at.

    What is there all the time, hum above all, is subtracted: the median over time of each frequency.
    """
    length = round(_FRAME_SECONDS * rate_hz)
    if len(samples) < 2 * length:
        return _Tone(0.0, 1.0, 0.0)
    hertz = np.fft.rfftfreq(length, 1.0 / rate_hz)
    band = np.flatnonzero(np.abs(hertz / tone_hz - 1.0) <= SPEED_REACH)
    window = np.hanning(length)
    starts = np.arange(0, len(samples) - length + 1, length // 2)
    power = np.stack([np.abs(np.fft.rfft(window * samples[s : s + length])[band]) ** 2 for s in starts])
    tone = np.maximum(power - np.median(power, axis=0), 0.0)
    strength = np.sort(tone, axis=0)[-3:].mean(axis=0)
    centre = hertz[band][int(np.argmax(strength))]
    spread = 0.0
    for _ in range(3):  # the loudest frame is one moment of a wow: step to the middle of all
        near = np.abs(hertz[band] / centre - 1.0) <= _WOW_REACH
        loud = tone[:, near].sum(axis=1)
        line = tone[loud > 0.25 * loud.max()][:, near].sum(axis=0)
        if not line.sum() > 0:
            return _Tone(0.0, 1.0, 0.0)
        centre = float(line @ hertz[band][near] / line.sum())
        spread = math.sqrt(float(line @ (hertz[band][near] / centre - 1.0) ** 2 / line.sum()))
    return _Tone(float(strength.max()), centre / tone_hz, spread)


def _placed(
    samples: npt.NDArray[np.float32], recording: Recording, plan: CalibrationPlan, speed: float
) -> tuple[float, float]:
    """Where the plan's beginning is in the recording, and how long its seconds last there."""
    envelope, hop = _envelope(samples, recording.rate_hz, plan.mark_hz * speed)
    found = []
    for step in (0, -1):
        beeps = plan.mark(step)
        match, at = _best_match(envelope, hop, beeps, speed)
        if match >= LEAST_MATCH:
            found.append((beeps[0].start_seconds, at))
    if not found:
        raise SignalError(
            "neither the start mark nor the end mark of the calibration steps was found; record all of it, at"
            " a level that is well over the noise, and give the plan it was made with",
            path=recording.path,
        )
    stretch = 1.0 / speed
    if len(found) == 2:
        (first_planned, first), (last_planned, last) = found
        expected = (last_planned - first_planned) / speed
        if abs(last - first - expected) > MOST_DRIFT * expected:
            raise SignalError(
                f"start mark and end mark are {last - first:.1f} s apart, not {expected:.1f} s: the playback"
                " was interrupted; record the steps in one go, or make them with longer pauses",
                path=recording.path,
            )
        stretch = (last - first) / (last_planned - first_planned)
    planned, at = found[0]
    return at - planned * stretch, stretch


def _envelope(samples: npt.NDArray[np.float32], rate_hz: float, hertz: float) -> tuple[FloatArray, float]:
    """Amplitude around one frequency, in steps of 5 ms or so, and that step in seconds."""
    block = max(1, round(_HOP_SECONDS * rate_hz))
    count = len(samples) // block
    mixed = np.empty(count, np.complex128)
    for first in range(0, count, 4096):
        last = min(first + 4096, count)
        turns = (hertz / rate_hz) * np.arange(first * block, last * block)
        wave = samples[first * block : last * block] * np.exp(-2j * np.pi * (turns % 1.0))
        mixed[first:last] = wave.reshape(-1, block).mean(axis=1)
    shape = np.hanning(_SMOOTH_HOPS + 2)[1:-1]
    if count < len(shape):
        return np.zeros(count), block / rate_hz
    return np.abs(np.convolve(mixed, shape / shape.sum(), mode="same")), block / rate_hz


def _best_match(
    envelope: FloatArray, hop: float, beeps: tuple[Burst, ...], speed: float
) -> tuple[float, float]:
    """How well a mark fits where it fits best (correlation coefficient), and when its first beep begins."""
    begin = beeps[0].start_seconds
    seconds = (beeps[-1].start_seconds + beeps[-1].seconds - begin) / speed + 2 * _MARGIN_SECONDS
    time = (np.arange(math.ceil(seconds / hop)) + 0.5) * hop - _MARGIN_SECONDS
    shape = np.zeros(len(time))
    for beep in beeps:
        on = (time >= (beep.start_seconds - begin) / speed) & (
            time < (beep.start_seconds - begin + beep.seconds) / speed
        )
        shape[on] = 10.0 ** ((beep.level_db - beeps[-1].level_db) / 20.0)
    shape -= shape.mean()
    if len(envelope) < len(shape):
        return 0.0, 0.0
    ones = np.ones(len(shape))
    mean = np.correlate(envelope, ones, "valid") / len(shape)
    power = np.correlate(envelope**2, ones, "valid") / len(shape) - mean**2
    floor = 1e-9 * float(np.max(envelope) ** 2) + 1e-30
    match = np.correlate(envelope, shape, "valid") / (
        np.linalg.norm(shape) * np.sqrt(len(shape) * np.maximum(power, floor))
    )
    best = int(np.argmax(match))
    return float(match[best]), best * hop + _MARGIN_SECONDS


def _measured(
    samples: npt.NDArray[np.float32],
    rate_hz: float,
    burst: Burst,
    hertz: float,
    half: float,
    since: float,
    stretch: float,
) -> StepLevel:
    skipped = 0.5 * (1.0 - _MIDDLE_SHARE) * burst.seconds
    start = since + (burst.start_seconds + skipped) * stretch
    span = Span(start, start + _MIDDLE_SHARE * burst.seconds * stretch)
    first, last = round(span.start_seconds * rate_hz), round(span.end_seconds * rate_hz)
    if first < 0 or last > len(samples):
        return StepLevel(burst.step, None, -math.inf, False, True, span)
    heard = samples[first:last].astype(np.float64)
    both, noise = _line(heard, rate_hz, hertz, half)
    # a hum's harmonic as near as that is there beside the step as well
    steady = [_line(some, rate_hz, hertz, half) for some in _beside(samples, rate_hz, burst, since, stretch)]
    hum = min((power for power, _ in steady), default=0.0)
    tone, noise = max(both - hum, 0.0), noise + hum
    snr_db = 10.0 * math.log10(max(tone, 1e-30) / max(noise, 1e-30))
    if snr_db < LEAST_SNR_DB:
        return StepLevel(burst.step, None, snr_db, False, True, span)
    level_db = 10.0 * math.log10(2.0 * tone)  # a sine of peak 1 has a power of 1/2
    harmonics = 0.0
    for order in (2, 3):
        if order * hertz * (1.0 + _NOISE_WIDTH * half) < 0.5 * rate_hz:
            power, beside = _line(heard, rate_hz, order * hertz, half)
            harmonics += power if power > 4.0 * beside else 0.0
    is_clipped = math.sqrt(harmonics / tone) > MOST_HARMONICS or _flat_share(heard) > _FLAT_SHARE
    quarters = [_line(quarter, rate_hz, hertz, half)[0] for quarter in np.array_split(heard, 4)]
    swing_db = 10.0 * math.log10(max(quarters) / max(min(quarters), 1e-30))
    is_steady = snr_db < STEADY_SNR_DB or swing_db <= MOST_SWING_DB
    return StepLevel(burst.step, level_db, snr_db, is_clipped, is_steady, span)


def _beside(
    samples: npt.NDArray[np.float32], rate_hz: float, burst: Burst, since: float, stretch: float
) -> list[FloatArray]:
    """What is heard just before a step and just after it, when the dial stands as it does during the step."""
    end = burst.start_seconds + burst.seconds
    pieces = []
    for low, high in ((burst.start_seconds - _BESIDE_SECONDS[1], burst.start_seconds - _BESIDE_SECONDS[0]),
                      (end + _BESIDE_SECONDS[0], end + _BESIDE_SECONDS[1])):  # fmt: skip
        first, last = round((since + low * stretch) * rate_hz), round((since + high * stretch) * rate_hz)
        if first >= 0 and last <= len(samples):
            pieces.append(samples[first:last].astype(np.float64))
    return pieces


def _line(samples: FloatArray, rate_hz: float, hertz: float, half_share: float) -> tuple[float, float]:
    """Power of a tone, full scale 1, the noise taken off; and of the noise in the same band.

    Parseval: of a windowed sine of peak A the bins of its line sum to ``A^2 / 4`` times n times the sum of
    the squared window. The noise comes from the bins beside the line, by their median, which a hum's
    harmonic among them does not move; the median of exponentially distributed power is ln 2 of its mean.
    """
    window = np.hanning(len(samples))
    scale = 2.0 / (len(samples) * float(window @ window))
    power = scale * np.abs(np.fft.rfft(window * samples)) ** 2
    away = np.abs(np.fft.rfftfreq(len(samples), 1.0 / rate_hz) - hertz)
    half = max(half_share * hertz, 2.5 * rate_hz / len(samples))
    line, beside = away <= half, (away > half) & (away <= _NOISE_WIDTH * half)
    noise = float(np.median(power[beside])) / math.log(2.0) * int(line.sum())
    return max(float(power[line].sum()) - noise, 0.0), noise


def _flat_share(samples: FloatArray) -> float:
    """Share of samples that lie in runs at the largest or smallest value: tops that were cut off."""
    flat = 0
    for wave in (samples, -samples):
        peak = float(wave.max())
        if peak >= _FLAT_PEAK:
            at_top = np.concatenate(([False], wave >= peak * (1.0 - _FLAT_TOLERANCE), [False]))
            edges = np.flatnonzero(np.diff(at_top.astype(np.int8))).reshape(-1, 2)
            runs = edges[:, 1] - edges[:, 0]
            flat += int(runs[runs >= _FLAT_RUN].sum())
    return flat / len(samples)


def _faults(step: StepLevel, recording_seconds: float) -> list[Fault]:
    name = f"step {step.step}"
    if step.span.start_seconds < 0 or step.span.end_seconds > recording_seconds:
        return [Fault("missing", f"{name} is not in the recording", step.span, "record all of the steps")]
    if step.level_db is None:
        return [
            Fault(
                "too-quiet",
                f"{name} is not heard over the noise",
                step.span,
                "leave that mark out, or make the sound card's input more sensitive for the quiet marks",
            )
        ]
    faults = []
    if step.is_clipped:
        faults.append(
            Fault(
                "clipped",
                f"{name} is clipped, so its level says nothing",
                step.span,
                "turn the sound card's input down and record again; if it stays, the recorder itself clips"
                " there, and a program would suffer the same",
            )
        )
    if not step.is_steady:
        faults.append(
            Fault(
                "unsteady",
                f"the level moves during {name}",
                step.span,
                "turn the dial in the pauses only, and record again; if you did, the tape's own level"
                " wanders: take a better one",
            )
        )
    return faults
