"""A channel in plain words, for reports and for a recording's history."""

from __future__ import annotations

from tapewright.channel.settings import CassetteChannel

__all__ = ["describe"]


def describe(channel: CassetteChannel) -> list[str]:
    """Say what a channel does to a recording, one impairment a line, in the order of the signal.

    Parameters
    ----------
    channel : CassetteChannel

    Returns
    -------
    list of str
        A single line where the channel changes nothing.
    """
    lines = [*_record(channel), *_tape(channel), *_transport(channel), *_replay(channel), *_capture(channel)]
    return lines or ["nothing is changed"]


def _record(c: CassetteChannel) -> list[str]:
    lines = []
    if c.record_gain_db:
        lines.append(f"record gain {c.record_gain_db:+g} dB")
    if c.automatic_level_db is not None:
        lines.append(
            f"automatic level control aiming at {c.automatic_level_db:+g} dB re reference, attack"
            f" {1000 * c.automatic_attack_seconds:g} ms, release {c.automatic_release_seconds:g} s,"
            f" range {c.automatic_least_gain_db:+g} to {c.automatic_most_gain_db:+g} dB"
        )
    if c.record_clip_level_db is not None:
        lines.append(f"record amplifier clips at {c.record_clip_level_db:+g} dB re reference")
    if c.three_percent_level_db is not None:
        lines.append(f"tape saturation, 3 % third harmonic at {c.three_percent_level_db:+g} dB re reference")
    return lines


def _tape(c: CassetteChannel) -> list[str]:
    lines = []
    if c.print_pre_echo_db is not None:
        lines.append(f"print-through, {c.print_pre_echo_db:g} dB {c.print_layer_seconds:g} s early")
    if c.print_post_echo_db is not None:
        lines.append(f"print-through, {c.print_post_echo_db:g} dB {c.print_layer_seconds:g} s late")
    if c.recorded_equalisation_us != c.replay_equalisation_us:
        lines.append(
            f"recorded with {c.recorded_equalisation_us:g} us equalisation,"
            f" replayed with {c.replay_equalisation_us:g} us"
        )
    if c.gap_um:
        lines.append(f"head gap {c.gap_um:g} um")
    if c.azimuth_error_arcmin:
        lines.append(
            f"head {abs(c.azimuth_error_arcmin):g} minutes of arc askew over a {c.width_mm:g} mm track"
        )
    if c.spacing_um:
        lines.append(f"tape {c.spacing_um:g} um off the head")
    if c.thickness_um:
        lines.append(f"coating {c.thickness_um:g} um thick, its loss not made up for")
    if c.tilt_db_per_octave:
        lines.append(f"treble tilted {c.tilt_db_per_octave:+g} dB per octave")
    if c.head == "stereo":
        lines.append("stereo head, two channels")
    if c.bad_channel is not None:
        lines.append(f"channel {c.bad_channel} comes out at {c.bad_channel_level_db:g} dB")
    shape = f"{c.dropout_depth_db:g} dB deep, {1000 * c.dropout_seconds:g} ms long"
    if c.dropouts_per_minute:
        lines.append(f"{c.dropouts_per_minute:g} dropouts a minute, {shape}")
    if c.dropout_at_seconds:
        places = ", ".join(f"{place:g}" for place in c.dropout_at_seconds)
        lines.append(f"dropouts at {places} s of the tape, {shape}")
    return lines


def _transport(c: CassetteChannel) -> list[str]:
    lines = []
    if c.speed_error_percent:
        lines.append(
            f"tape {abs(c.speed_error_percent):g} % {'fast' if c.speed_error_percent > 0 else 'slow'}"
        )
    measure = "weighted" if c.flutter_is_weighted else "unweighted"
    lines += [
        f"wow and flutter {tone.peak_percent:g} % peak, {measure}, at {tone.rate_hz:g} Hz"
        for tone in c.flutter_tones
    ]
    if c.random_flutter_two_sigma_percent:
        low_hz, high_hz = c.random_flutter_band_hz
        lines.append(
            f"irregular flutter {c.random_flutter_two_sigma_percent:g} % two-sigma, {measure},"
            f" {low_hz:g} to {high_hz:g} Hz"
        )
    if c.start_glide_seconds:
        lines.append(f"takes {c.start_glide_seconds:g} s to come up to speed")
    if c.stop_glide_seconds:
        lines.append(f"takes {c.stop_glide_seconds:g} s to halt")
    return lines


def _replay(c: CassetteChannel) -> list[str]:
    lines = []
    if c.high_pass_hz is not None:
        lines.append(f"no bass below {c.high_pass_hz:g} Hz (order {c.high_pass_order})")
    if c.low_pass_hz is not None:
        lines.append(f"no treble above {c.low_pass_hz:g} Hz (order {c.low_pass_order})")
    if c.replay_gain_db:
        lines.append(f"replay gain {c.replay_gain_db:+g} dB")
    if c.level_drift_db:
        lines.append(f"level swings by {c.level_drift_db:g} dB, {c.level_drift_hz:g} times a second")
    lines += [f"level changes by {step.change_db:+g} dB at {step.at_seconds:g} s" for step in c.level_steps]
    if c.hiss_snr_db is not None:
        low_hz, high_hz = c.hiss_band_hz
        lines.append(f"hiss {c.hiss_snr_db:g} dB below reference in {low_hz:g} to {high_hz:g} Hz")
    if c.hum_level_db is not None:
        lines.append(f"{c.hum_hz:g} Hz hum at {c.hum_level_db:g} dB re reference")
    return lines


def _capture(c: CassetteChannel) -> list[str]:
    lines = []
    if c.is_inverted:
        lines.append("polarity inverted")
    if c.dc_offset_full_scale:
        lines.append(f"DC offset {c.dc_offset_full_scale:+g} of full scale")
    if c.capture_clip_level_dbfs is not None:
        lines.append(f"sound card clips at {c.capture_clip_level_dbfs:g} dBFS")
    if c.capture_bits is not None:
        lines.append(f"captured with {c.capture_bits} bits")
    return lines
