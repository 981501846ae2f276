"""Grouping of visits by place: roofs that one van can do on one round.

Complete linkage on great-circle distances: no two roofs of a group lie
further apart than the given span. Distances are as the crow flies; roads are
the planner's business.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.cluster.hierarchy import fcluster, linkage
from scipy.sparse import coo_array
from scipy.sparse.csgraph import connected_components
from scipy.spatial import cKDTree
from scipy.spatial.distance import squareform

#: Mean Earth radius R1 of the International Union of Geodesy and Geophysics, km.
EARTH_RADIUS_KM: Final = 6371.0088

_Degrees = NDArray[np.float64]


def great_circle_km(lat_1: _Degrees, lon_1: _Degrees, lat_2: _Degrees, lon_2: _Degrees) -> NDArray[np.float64]:
    """Great-circle distance in km by the haversine formula, which keeps its accuracy when short.

    Sinnott, R. W. (1984), "Virtues of the Haversine", Sky and Telescope 68, 159.
    Arguments in degrees, any shapes that broadcast.
    """
    phi_1, phi_2 = np.radians(lat_1), np.radians(lat_2)
    half = np.sin((phi_2 - phi_1) / 2) ** 2
    half = half + np.cos(phi_1) * np.cos(phi_2) * np.sin(np.radians(np.subtract(lon_2, lon_1)) / 2) ** 2
    return np.asarray(2 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.clip(half, 0, 1))))


def group_by_place(latitude: _Degrees, longitude: _Degrees, span_km: float) -> NDArray[np.int64]:
    """Group number of each place, from 0, in order of first appearance.

    Parameters
    ----------
    latitude, longitude : [N] degrees.
    span_km : greatest distance between two places of one group.
    """
    n = len(latitude)
    labels = np.full(n, -1, dtype=np.int64)
    # Places in different chains of neighbours can never share a group, so each
    # chain is clustered alone and a country needs no N x N table.
    for chain in _chains(latitude, longitude, span_km):
        labels[chain] = _within(latitude[chain], longitude[chain], span_km) + labels.max() + 1
    _, first, labels = np.unique(labels, return_index=True, return_inverse=True)
    return np.argsort(np.argsort(first))[labels].astype(np.int64)


def _chains(latitude: _Degrees, longitude: _Degrees, span_km: float) -> list[NDArray[np.intp]]:
    phi, theta = np.radians(latitude), np.radians(longitude)
    unit = np.column_stack([np.cos(phi) * np.cos(theta), np.cos(phi) * np.sin(theta), np.sin(phi)])
    # Slightly wide, so that rounding never parts two places at just the span.
    chord = 2 * np.sin(min(span_km / EARTH_RADIUS_KM, np.pi) / 2) * (1 + 1e-9) + 1e-12
    pairs = cKDTree(unit).query_pairs(chord, output_type="ndarray")
    n = len(latitude)
    links = coo_array((np.ones(len(pairs)), (pairs[:, 0], pairs[:, 1])), shape=(n, n))
    part = connected_components(links, directed=False)[1]
    return [np.flatnonzero(part == p) for p in np.unique(part)]


def _within(latitude: _Degrees, longitude: _Degrees, span_km: float) -> NDArray[np.int64]:
    if len(latitude) == 1:
        return np.zeros(1, dtype=np.int64)
    apart = great_circle_km(latitude[:, None], longitude[:, None], latitude[None], longitude[None])
    tree = linkage(squareform(apart, checks=False), method="complete")
    return fcluster(tree, t=span_km, criterion="distance").astype(np.int64) - 1


def span_of(latitude: _Degrees, longitude: _Degrees) -> float:
    """Greatest distance between any two of the places, km."""
    return float(great_circle_km(latitude[:, None], longitude[:, None], latitude[None], longitude[None]).max())
