"""The speed of sound: a scanner that assumes another one shows depths too long or too short.

Shown depth = true depth * 1540 / c. Only what lies along the beam is stretched: y in a rectangle, in a sector
the distance from the probe's face, since its beams run from the apex.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from needlecoach.model import FloatArray, Medium, Region, Scale, Sound, Strip, Target, Track

# Marczak, J Acoust Soc Am 1997;102:2776: m/s from degrees Celsius at 0-95, rising powers.
MARCZAK = (1402.385, 5.038813, -5.799136e-2, 3.287156e-4, -1.398845e-6, 2.787860e-9)
MARCZAK_SOURCE = "Marczak 1997"
# Plain gelatin near room temperature: 1490 to 1520 m/s, from memory, no source at hand; each speed in
# that range is taken as equally likely, and its change with temperature as that of water, its main part.
GEL_M_S, GEL_SD_M_S, ROOM_C = 1505.0, 30.0 / 12**0.5, 22.0
GEL_SOURCE = "1490 to 1520 m/s from memory"
# A thermometer in a bowl, and a bowl that is not the same all over.
TEMPERATURE_SD_C = 1.0


def water_m_s(temperature_c: float) -> float:
    """Speed of sound in pure water at normal pressure, m/s, for 0 to 95 degrees Celsius (Marczak 1997)."""
    return float(np.polynomial.polynomial.polyval(temperature_c, MARCZAK))


def sound_in(medium: Medium) -> Sound:
    """Speed of sound in a medium; the uncertainty of a stated one is not known and counts as 0."""
    at = medium.temperature_c
    if medium.speed_m_s is not None:
        return Sound(medium.speed_m_s, 0.0, f"{medium.speed_m_s:g} m/s as stated")
    if at is not None and medium.kind == "water":
        return Sound(water_m_s(at), _slope(at) * TEMPERATURE_SD_C, f"water at {at:g} °C, {MARCZAK_SOURCE}")
    if at is None:
        return Sound(GEL_M_S, GEL_SD_M_S, f"plain gel near room temperature, {GEL_SOURCE}")
    speed = GEL_M_S + water_m_s(at) - water_m_s(ROOM_C)
    sd = float(np.hypot(GEL_SD_M_S, _slope(at) * TEMPERATURE_SD_C))
    source = f"plain gel at {at:g} °C, at {ROOM_C:g} °C {GEL_SOURCE}, changed as water, {MARCZAK_SOURCE}"
    return Sound(speed, sd, source)


def _slope(temperature_c: float) -> float:
    """How much faster sound runs in water that is one degree warmer (or cooler), m/s."""
    terms = np.polynomial.polynomial.polyder(MARCZAK)
    return abs(float(np.polynomial.polynomial.polyval(temperature_c, terms)))


def true_points_px(points_px: npt.ArrayLike, region: Region, sound: Sound) -> FloatArray:
    """Where points (..., 2) of the frame would be shown by a scanner that knew the speed; NaN stays NaN.

    The probe's face stays where it is. Refraction at the face of a curved probe is left out.
    """
    points = np.asarray(points_px, dtype=float)
    if region.apex_px is None:
        face = region.box_px[1]
        deep = face + (points[..., 1] - face) * sound.stretch
        return np.stack([points[..., 0], deep], axis=-1)
    arms = points - np.asarray(region.apex_px)
    radius = np.hypot(arms[..., 0], arms[..., 1])
    true_radius = region.r_min_px + (radius - region.r_min_px) * sound.stretch
    with np.errstate(invalid="ignore", divide="ignore"):
        factor = np.where(radius > 0, true_radius / radius, 1.0)
    return np.asarray(np.asarray(region.apex_px) + arms * factor[..., None], dtype=float)


def true_target(target: Target, region: Region, sound: Sound) -> Target:
    """Target as it is, from one marked on the frame."""
    centre = true_points_px(target.centre_px, region, sound)
    outline = true_points_px(target.outline_px, region, sound)
    return replace(target, outline_px=outline, centre_px=(float(centre[0]), float(centre[1])))


def true_track(track: Track, region: Region, scale: Scale, sound: Sound) -> Track:
    """Track as it is, from one followed on the frame; the tip's own expected error is left as it is."""
    return replace(
        track,
        tip_px=true_points_px(track.tip_px, region, sound),
        entry_px=true_points_px(track.entry_px, region, sound),
        target_px=true_points_px(track.target_px, region, sound),
        trail_end_px=true_points_px(track.trail_end_px, region, sound),
        angle_deg=_true_angle_deg(track, region, scale, sound),
    )


def true_strip(strip: Strip, region: Region, sound: Sound) -> Strip:
    """Strip of greys laid where the ends of its line are as it is; between them it is taken as straight."""
    start_px, end_px = (true_points_px(ends, region, sound) for ends in (strip.start_px, strip.end_px))
    return replace(strip, start_px=start_px, end_px=end_px)


def _true_angle_deg(track: Track, region: Region, scale: Scale, sound: Sound) -> FloatArray:
    """Angle of the shaft's chord from entry to tip once both lie where they are, shape (n,).

    The chord runs through the middle of both at the angle that was followed, so in a rectangle the angle is
    exact whatever the places of its ends.
    """
    sides = np.array([scale.x_mm_per_px, scale.y_mm_per_px])
    way = track.tip_px - track.entry_px
    known = np.isfinite(way).all(axis=1, keepdims=True)
    way = np.where(known, way, 1.0)
    x, y, wide, high = region.box_px
    middle = np.where(known, (track.tip_px + track.entry_px) / 2, (x + wide / 2, y + high / 2))
    turned = np.radians(track.angle_deg)
    signs = np.where(way < 0, -1.0, 1.0)
    length = np.maximum(np.hypot(*scale.to_mm(way).T), 1.0)
    half = signs * np.stack([np.cos(turned), np.sin(turned)], axis=-1) * length[:, None] / 2 / sides
    ends = true_points_px(np.stack([middle - half, middle + half]), region, sound)
    dx, dy = np.abs(scale.to_mm(ends[1] - ends[0])).T
    angle = np.degrees(np.arctan2(dy, dx))
    return np.where(np.isfinite(angle), angle, track.angle_deg)


def with_sound(scale: Scale, sound: Sound) -> Scale:
    """Scale for true points: its source tells the speed, its uncertainty takes that of the speed in.

    Lengths along the beam alone are as uncertain as the speed; all lengths are taken to be.
    """
    share = min(float(np.hypot(scale.sd_share, sound.sd_share)), 0.99)
    source = f"{scale.source}; depth by {sound.speed_m_s:.1f} m/s ({sound.source})"
    return replace(scale, sd_share=share, source=source)
