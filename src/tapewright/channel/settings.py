"""The settings of a cassette channel, with three recorders worth having and one that does nothing."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import astuple, dataclass, fields
from typing import ClassVar, Literal

from tapewright.model import UsageError

__all__ = ["FASTEST_FLUTTER_HZ", "CassetteChannel", "FlutterTone", "LevelStep"]

#: Above this rate the transport's speed curve (drawn 4000 times a second) is no longer exact.
FASTEST_FLUTTER_HZ = 500.0


@dataclass(frozen=True)
class FlutterTone:
    """One regular variation of tape speed: a capstan, a pinch roller, an idler slightly out of round.

    Parameters
    ----------
    rate_hz : float
        Turns per second, above 0 and at most 500.
    peak_percent : float
        Peak deviation of speed, zero to peak, in percent.
    """

    rate_hz: float
    peak_percent: float


@dataclass(frozen=True)
class LevelStep:
    """A lasting change of replay level, as when somebody touches the volume control.

    Parameters
    ----------
    at_seconds : float
        When, in the replayed recording.
    change_db : float
        By how much, upwards positive.
    """

    at_seconds: float
    change_db: float


@dataclass(frozen=True, kw_only=True)
class CassetteChannel:
    """A compact-cassette recorder and its tape; the defaults are a decent portable.

    Levels "re reference" are those of a sine against a sine at the reference level (250 nWb/m on the tape),
    which is `reference_level_dbfs` in the samples; 0 dBFS is a sine of peak 1. A setting of None switches
    its stage off. The presets are `GOOD_DECK`, `PORTABLE` (the defaults), `WORN` and `TRANSPARENT`
    (everything off: the place to start from when one impairment is wanted alone).

    Parameters
    ----------
    reference_level_dbfs : float
    record_gain_db : float
        Applied before anything else.
    automatic_level_db : float or None
        Peak level re reference that the automatic level control aims at.
    automatic_attack_seconds, automatic_release_seconds : float
        Time constants of its detector, rising and falling.
    automatic_least_gain_db, automatic_most_gain_db : float
        Its range.
    three_percent_level_db : float or None
        Level re reference at which tape saturation makes 3 % third harmonic.
    record_clip_level_db : float or None
        Peak level re reference at which the record amplifier clips hard.
    print_pre_echo_db, print_post_echo_db : float or None
        Print-through from the next and the previous layer on the reel.
    print_layer_seconds : float
        Time one turn of the reel takes.
    tape_speed_mm_per_s : float
        Turns frequencies into wavelengths.
    recorded_equalisation_us, replay_equalisation_us : float
        Time constants: 120 for type I tape, 70 for types II and IV.
    gap_um, spacing_um, thickness_um, azimuth_error_arcmin : float
        What the four wavelength losses come from; 0 is no loss. `thickness_um` is the magnetic coating
        whose loss the recorder does *not* make up for: the equalisation standard already includes the usual.
    tilt_db_per_octave : float
        Overall tilt about 1 kHz, as from a wrong bias: negative is dull.
    head : {"mono", "stereo"}
        A mono head gives one channel, the sum of the tracks. A stereo head gives two; a mono recording is
        on both.
    track_width_mm : float or None
        Width of track the head reads; None is the cassette's own, 1.5 mm (mono) or 0.6 mm (stereo).
    track_distance_mm : float
        Between the centres of a stereo head's two tracks. A positive azimuth error makes the second
        channel late.
    bad_channel : int or None
        Channel (0 or 1) that comes out weak, the noise staying as it is.
    bad_channel_level_db : float
        How weak.
    dropouts_per_minute : float
        Average number, at random places.
    dropout_at_seconds : tuple of float
        Further ones at known places on the tape (their middles).
    dropout_depth_db, dropout_seconds, dropout_edge_seconds : float
        Depth, time between the middles of the two edges, and the time an edge takes.
    speed_error_percent : float
        Constant; positive is fast, so that tones come out high.
    flutter_tones : tuple of FlutterTone
        Regular wow and flutter.
    random_flutter_two_sigma_percent : float
        Irregular wow and flutter: the deviation exceeded 5 % of the time.
    random_flutter_band_hz : tuple of float
        Its band.
    flutter_is_weighted : bool
        Whether the percentages of flutter are as read by a weighting meter (IEC 60386): the real deviation
        is then larger.
    start_glide_seconds, stop_glide_seconds : float
        Time the transport takes to come up to speed at the start and to halt at the end.
    high_pass_hz, low_pass_hz : float or None
        -3 dB frequencies of the replay amplifier (Butterworth). A low-pass beyond what the sample rate
        carries is left out.
    high_pass_order, low_pass_order : int
        1 to 4.
    replay_gain_db : float
        Applied before the noise.
    level_drift_db, level_drift_hz : float
        Slow swing of level, peak and rate.
    level_steps : tuple of LevelStep
    hiss_snr_db : float or None
        Reference level over hiss in `hiss_band_hz`, both as replayed (after `replay_gain_db`).
    hiss_band_hz : tuple of float
        The band `hiss_snr_db` is stated in; its end is lowered to what the sample rate carries.
    hum_level_db : float or None
        Fundamental of the hum re reference.
    hum_hz : float
    hum_harmonics_db : tuple of float
        Second, third, ... harmonic relative to the fundamental.
    dc_offset_full_scale : float
    is_inverted : bool
        Whether the replay chain turns the polarity over.
    capture_clip_level_dbfs : float or None
        Where the sound card clips.
    capture_bits : int or None
        Word length of the sound card, 4 to 24.

    Raises
    ------
    UsageError
        If a setting is out of its range; the message names it.
    """

    GOOD_DECK: ClassVar[CassetteChannel]
    PORTABLE: ClassVar[CassetteChannel]
    WORN: ClassVar[CassetteChannel]
    TRANSPARENT: ClassVar[CassetteChannel]

    reference_level_dbfs: float = -6.0
    record_gain_db: float = 0.0
    automatic_level_db: float | None = 0.0
    automatic_attack_seconds: float = 0.03
    automatic_release_seconds: float = 3.0
    automatic_least_gain_db: float = -20.0
    automatic_most_gain_db: float = 20.0
    three_percent_level_db: float | None = 3.0
    record_clip_level_db: float | None = None

    print_pre_echo_db: float | None = None
    print_post_echo_db: float | None = None
    print_layer_seconds: float = 1.6

    tape_speed_mm_per_s: float = 47.6
    recorded_equalisation_us: float = 120.0
    replay_equalisation_us: float = 120.0
    gap_um: float = 2.0
    azimuth_error_arcmin: float = 4.0
    spacing_um: float = 0.5
    thickness_um: float = 0.0
    tilt_db_per_octave: float = 0.0
    head: Literal["mono", "stereo"] = "mono"
    track_width_mm: float | None = None
    track_distance_mm: float = 0.9
    bad_channel: int | None = None
    bad_channel_level_db: float = -20.0

    dropouts_per_minute: float = 0.0
    dropout_at_seconds: tuple[float, ...] = ()
    dropout_depth_db: float = 18.0
    dropout_seconds: float = 0.01
    dropout_edge_seconds: float = 0.001

    speed_error_percent: float = 1.0
    flutter_tones: tuple[FlutterTone, ...] = (FlutterTone(1.1, 0.1), FlutterTone(9.3, 0.1))
    random_flutter_two_sigma_percent: float = 0.15
    random_flutter_band_hz: tuple[float, float] = (0.5, 100.0)
    flutter_is_weighted: bool = True
    start_glide_seconds: float = 0.0
    stop_glide_seconds: float = 0.0

    high_pass_hz: float | None = 100.0
    high_pass_order: int = 1
    low_pass_hz: float | None = 8000.0
    low_pass_order: int = 2
    replay_gain_db: float = 0.0
    level_drift_db: float = 0.0
    level_drift_hz: float = 0.1
    level_steps: tuple[LevelStep, ...] = ()
    hiss_snr_db: float | None = 43.0
    hiss_band_hz: tuple[float, float] = (100.0, 8000.0)
    hum_level_db: float | None = -50.0
    hum_hz: float = 50.0
    hum_harmonics_db: tuple[float, ...] = (-3.0, -12.0)
    dc_offset_full_scale: float = 0.0
    is_inverted: bool = False
    capture_clip_level_dbfs: float | None = 0.0
    capture_bits: int | None = 16

    def __post_init__(self) -> None:
        self._check_numbers()
        self._check_choices()
        if any(not 0 < tone.rate_hz <= FASTEST_FLUTTER_HZ for tone in self.flutter_tones):
            raise UsageError(
                f"flutter_tones holds a rate outside 0 to {FASTEST_FLUTTER_HZ:g} Hz; give rates within it"
            )
        for name in ("hiss_band_hz", "random_flutter_band_hz"):
            low_hz, high_hz = getattr(self, name)
            if not 0 <= low_hz < high_hz:
                raise UsageError(
                    f"{name} runs from {low_hz:g} to {high_hz:g} Hz; give the lower frequency first"
                )
        if self.random_flutter_band_hz[1] > FASTEST_FLUTTER_HZ:
            raise UsageError(
                f"random_flutter_band_hz ends at {self.random_flutter_band_hz[1]:g} Hz;"
                f" end it at {FASTEST_FLUTTER_HZ:g} Hz or below"
            )
        if self.automatic_least_gain_db > self.automatic_most_gain_db:
            raise UsageError(
                f"automatic_least_gain_db is {self.automatic_least_gain_db:g}, above automatic_most_gain_db,"
                f" {self.automatic_most_gain_db:g}; swap them"
            )

    @property
    def width_mm(self) -> float:
        """Width of track the head reads (encyclopedia citing a 1970 technical review: second-hand)."""
        if self.track_width_mm is not None:
            return self.track_width_mm
        return 1.5 if self.head == "mono" else 0.6

    def _check_numbers(self) -> None:
        for field in fields(self):
            value = getattr(self, field.name)
            for number in _flat(value if isinstance(value, tuple) else (value,)):
                if isinstance(number, float | int) and not math.isfinite(number):
                    raise UsageError(f"{field.name} holds {number}; give finite numbers")
        for name in _POSITIVE:
            value = getattr(self, name)
            if value is not None and value <= 0:
                raise UsageError(f"{name} is {value:g}; give a number above 0")
        for name in _NOT_NEGATIVE:
            value = getattr(self, name)
            if value is not None and value < 0:
                raise UsageError(f"{name} is {value:g}; give 0 or more")
        if not -90.0 < self.speed_error_percent < 300.0:
            raise UsageError(
                f"speed_error_percent is {self.speed_error_percent:g}; give a number between -90 and 300"
            )

    def _check_choices(self) -> None:
        if self.head not in ("mono", "stereo"):
            raise UsageError(f'head is "{self.head}"; give "mono" or "stereo"')
        if self.bad_channel not in (None, 0, 1):
            raise UsageError(f"bad_channel is {self.bad_channel}; give 0, 1 or None")
        if self.bad_channel is not None and self.head == "mono":
            raise UsageError('bad_channel needs two channels; set head to "stereo"')
        for name in ("high_pass_order", "low_pass_order"):
            if getattr(self, name) not in (1, 2, 3, 4):
                raise UsageError(f"{name} is {getattr(self, name)}; give 1, 2, 3 or 4")
        if self.capture_bits is not None and not 4 <= self.capture_bits <= 24:
            raise UsageError(f"capture_bits is {self.capture_bits}; give 4 to 24, or None")


def _flat(values: tuple[object, ...]) -> Iterator[object]:
    for value in values:
        if isinstance(value, FlutterTone | LevelStep):
            yield from astuple(value)
        else:
            yield value


_POSITIVE = (
    "automatic_attack_seconds",
    "automatic_release_seconds",
    "print_layer_seconds",
    "tape_speed_mm_per_s",
    "recorded_equalisation_us",
    "replay_equalisation_us",
    "high_pass_hz",
    "low_pass_hz",
    "hum_hz",
)
_NOT_NEGATIVE = (
    "gap_um",
    "spacing_um",
    "thickness_um",
    "track_width_mm",
    "track_distance_mm",
    "dropouts_per_minute",
    "dropout_depth_db",
    "dropout_seconds",
    "dropout_edge_seconds",
    "random_flutter_two_sigma_percent",
    "start_glide_seconds",
    "stop_glide_seconds",
    "level_drift_hz",
)

# Where the presets' figures come from (shared dossier 4.1): portable, common practice (100 Hz to 8 kHz,
# S/N 40-45 dB, flutter 0.2-0.4 %); good deck, a little better than the DIN 45500-4 minimum (flutter 0.2 %
# weighted, 40 Hz to 12.5 kHz; second-hand); 3 % third harmonic some dB above 250 nWb/m, levels of hum and
# print-through, gaps, and all of the worn recorder are chosen, to be worse than the portable throughout.
CassetteChannel.PORTABLE = CassetteChannel()
CassetteChannel.TRANSPARENT = CassetteChannel(
    automatic_level_db=None,
    three_percent_level_db=None,
    gap_um=0.0,
    azimuth_error_arcmin=0.0,
    spacing_um=0.0,
    speed_error_percent=0.0,
    flutter_tones=(),
    random_flutter_two_sigma_percent=0.0,
    high_pass_hz=None,
    low_pass_hz=None,
    hiss_snr_db=None,
    hum_level_db=None,
    capture_clip_level_dbfs=None,
    capture_bits=None,
)
CassetteChannel.GOOD_DECK = CassetteChannel(
    record_gain_db=-6.0,
    automatic_level_db=None,
    three_percent_level_db=4.0,
    gap_um=1.0,
    azimuth_error_arcmin=2.0,
    spacing_um=0.2,
    head="stereo",
    speed_error_percent=0.3,
    flutter_tones=(FlutterTone(0.6, 0.04), FlutterTone(8.1, 0.05)),
    random_flutter_two_sigma_percent=0.06,
    high_pass_hz=30.0,
    low_pass_hz=14000.0,
    low_pass_order=3,
    hiss_snr_db=52.0,
    hiss_band_hz=(40.0, 12500.0),
    hum_level_db=-65.0,
    print_pre_echo_db=-58.0,
    print_post_echo_db=-60.0,
)
CassetteChannel.WORN = CassetteChannel(
    three_percent_level_db=1.0,
    print_pre_echo_db=-42.0,
    print_post_echo_db=-45.0,
    replay_equalisation_us=70.0,
    gap_um=3.0,
    azimuth_error_arcmin=10.0,
    spacing_um=1.5,
    dropouts_per_minute=6.0,
    speed_error_percent=-2.5,
    flutter_tones=(FlutterTone(0.7, 0.5), FlutterTone(11.3, 0.3)),
    random_flutter_two_sigma_percent=0.3,
    start_glide_seconds=0.25,
    stop_glide_seconds=0.15,
    high_pass_hz=120.0,
    low_pass_hz=5000.0,
    replay_gain_db=-4.0,
    level_drift_db=3.0,
    hiss_snr_db=33.0,
    hum_level_db=-28.0,
    dc_offset_full_scale=0.01,
    is_inverted=True,
)
