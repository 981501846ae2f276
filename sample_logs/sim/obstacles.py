"""What stands in front of the sun: trees, boxes, walls, as seen from points on a roof.

Coordinates in metres, x east, y north, z up.  Each obstacle answers one
question: how much of the beam passes, for each sun position and each point.
Edges are soft by the sun's disc and the cell's own width as seen from there.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

F = NDArray[np.float64]
_SUN_RADIUS_DEG = 0.27
_CELL_M = 0.16


class Obstacle(Protocol):
    """Anything that takes beam away."""

    def passes(self, azimuth_deg: F, elevation_deg: F, point: F, softness: float, age: F) -> F:
        """Share of the beam that passes [T] at ``point`` (x, y, z); ``age`` 0..1 through the period."""
        ...

    def sky_share(self, point: F) -> float:
        """Rough share of the sky's diffuse light it hides from ``point``."""
        ...


def _edge(inside_deg: F, width_deg: float) -> F:
    return np.asarray(np.clip(0.5 + inside_deg / (2 * width_deg), 0, 1))


def _turn(a: F) -> F:
    return np.asarray((a + 180) % 360 - 180)


def _edge_width(distance_m: float, softness: float) -> float:
    return float((_SUN_RADIUS_DEG + np.degrees(np.arctan2(_CELL_M / 2, distance_m))) * softness)


@dataclass(frozen=True)
class Tree:
    """A round crown on a trunk; leaves let ``porosity`` of the beam through; may grow."""

    x: float
    y: float
    crown_z: float
    radius: float
    porosity: float = 0.1
    growth: float = 0.0
    kind: str = "tree"

    def passes(self, azimuth_deg: F, elevation_deg: F, point: F, softness: float, age: F) -> F:
        dx, dy, dz = self.x - point[0], self.y - point[1], self.crown_z - point[2]
        flat = float(np.hypot(dx, dy))
        far = float(np.sqrt(flat**2 + dz**2))
        az, el = np.degrees(np.arctan2(dx, dy)), np.degrees(np.arctan2(dz, flat))
        turn = _turn(azimuth_deg - az)
        cosine = np.sin(np.radians(elevation_deg)) * np.sin(np.radians(el)) + np.cos(np.radians(elevation_deg)) * np.cos(
            np.radians(el)
        ) * np.cos(np.radians(turn))
        apart = np.degrees(np.arccos(np.clip(cosine, -1, 1)))
        half = np.degrees(np.arcsin(np.clip(self.radius * (1 + self.growth * age) / far, 0, 0.98)))
        soft = _edge_width(far, softness) + 1.0
        crown = _edge(half - apart, soft)
        trunk = _edge(np.degrees(np.arctan2(0.2, flat)) - np.abs(turn), _edge_width(flat, softness))
        trunk = trunk * (elevation_deg < el)
        return np.asarray(1 - np.maximum(crown * (1 - self.porosity), trunk * 0.9))

    def sky_share(self, point: F) -> float:
        far = float(np.linalg.norm(np.array([self.x, self.y, self.crown_z]) - point))
        return float(min(0.3, (1 - np.cos(np.arcsin(min(self.radius / far, 0.95)))) * 0.6))


@dataclass(frozen=True)
class Box:
    """An upright box or pole of ``width`` metres, top at ``top_z``."""

    x: float
    y: float
    width: float
    top_z: float
    kind: str = "chimney"

    def passes(self, azimuth_deg: F, elevation_deg: F, point: F, softness: float, age: F) -> F:  # noqa: ARG002 - the contract of Obstacle
        dx, dy, dz = self.x - point[0], self.y - point[1], self.top_z - point[2]
        flat = max(float(np.hypot(dx, dy)), self.width / 2 + 0.05)
        turn = _turn(azimuth_deg - np.degrees(np.arctan2(dx, dy)))
        half = np.degrees(np.arctan2(self.width / 2, flat))
        soft = _edge_width(flat, softness)
        # A pole thinner than a cell can't darken the whole of it.
        strength = min(1.0, 0.25 + self.width / _CELL_M * 0.75)
        top = np.degrees(np.arctan2(dz, flat))
        return np.asarray(1 - strength * _edge(half - np.abs(turn), soft) * _edge(top - elevation_deg, soft))

    def sky_share(self, point: F) -> float:
        flat = max(float(np.hypot(self.x - point[0], self.y - point[1])), self.width)
        top = np.arctan2(max(self.top_z - point[2], 0), flat)
        return float(min(0.25, 2 * np.arctan2(self.width / 2, flat) / (2 * np.pi) * np.sin(top) ** 2 * 2))


@dataclass(frozen=True)
class Wall:
    """A straight wall, ridge, building or row from (x1, y1) to (x2, y2), top at ``top_z``."""

    x1: float
    y1: float
    x2: float
    y2: float
    top_z: float
    bottom_z: float = -100.0
    kind: str = "building"

    def passes(self, azimuth_deg: F, elevation_deg: F, point: F, softness: float, age: F) -> F:  # noqa: ARG002 - the contract of Obstacle
        sx, sy = np.sin(np.radians(azimuth_deg)), np.cos(np.radians(azimuth_deg))
        ax, ay = self.x1 - point[0], self.y1 - point[1]
        wx, wy = self.x2 - self.x1, self.y2 - self.y1
        cross = sx * wy - sy * wx
        safe = np.where(np.abs(cross) < 1e-9, 1e-9, cross)
        ray = (ax * wy - ay * wx) / safe
        along = (ax * sy - ay * sx) / safe
        length = float(np.hypot(wx, wy))
        distance = np.maximum(ray, 0.05)
        side = np.degrees(np.arctan2(np.minimum(along, 1 - along) * length, distance))
        top = np.degrees(np.arctan2(self.top_z - point[2], distance))
        low = np.degrees(np.arctan2(self.bottom_z - point[2], distance))
        near = float(max(np.median(distance), 0.5))
        soft = _edge_width(near, softness)
        hidden = _edge(side, soft) * _edge(top - elevation_deg, soft) * (elevation_deg >= low)
        return np.asarray(1 - hidden * (ray > 0))

    def sky_share(self, point: F) -> float:
        a1 = np.arctan2(self.x1 - point[0], self.y1 - point[1])
        a2 = np.arctan2(self.x2 - point[0], self.y2 - point[1])
        wide = abs((a2 - a1 + np.pi) % (2 * np.pi) - np.pi)
        mid = np.hypot((self.x1 + self.x2) / 2 - point[0], (self.y1 + self.y2) / 2 - point[1])
        top = np.arctan2(max(self.top_z - point[2], 0), max(mid, 0.3))
        return float(min(0.35, wide / (2 * np.pi) * np.sin(top) ** 2 * 1.3))


@dataclass(frozen=True)
class Horizon:
    """Far hills: the same skyline for every point of the site."""

    azimuths_deg: tuple[float, ...]
    heights_deg: tuple[float, ...]
    kind: str = "horizon"

    def passes(self, azimuth_deg: F, elevation_deg: F, point: F, softness: float, age: F) -> F:  # noqa: ARG002 - the contract of Obstacle
        line = np.interp(azimuth_deg, self.azimuths_deg, self.heights_deg, period=360)
        return np.asarray(1 - _edge(line - elevation_deg, _SUN_RADIUS_DEG * softness))

    def sky_share(self, point: F) -> float:  # noqa: ARG002 - the contract of Obstacle
        return float(np.mean(np.sin(np.radians(self.heights_deg)) ** 2))


def module_points(centre: F, right: F, down: F, width: float, length: float, substrings: int, portrait: bool) -> F:
    """Points on a module, [substrings, 2 halves, 3 per half, xyz]; a substring runs along the long side."""
    across = (np.arange(substrings) + 0.5) / substrings - 0.5
    along = np.array([[-0.45, -0.27, -0.06], [0.06, 0.27, 0.45]])
    long_axis, short_axis = (down, right) if portrait else (right, down)
    return np.asarray(centre + across[:, None, None, None] * width * short_axis + along[None, :, :, None] * length * long_axis)
