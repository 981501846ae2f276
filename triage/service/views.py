"""Arrays for charts, loaded once per site and window and kept while the site's file is unchanged."""

from __future__ import annotations

import threading
from collections import OrderedDict
from typing import Final

from collectors.errors import InputError
from collectors.store import Store, day_bounds
from rules.view import SiteView, build_view
from triage.lastcheck import last_check
from triage.service.stamp import file_stamp

#: Days a chart looks back, unless its finding began earlier.
DAYS: Final = 30
_KEPT: Final = 6

_Key = tuple[str, tuple[int, ...], int, int]


class Views:
    """The newest few views; a view is built by one reader while the others wait for it."""

    def __init__(self) -> None:
        self._kept: OrderedDict[_Key, SiteView] = OrderedDict()
        self._locks: dict[str, threading.Lock] = {}
        self._lock = threading.Lock()

    def get(self, store: Store, until: int | None = None, days: int = DAYS) -> SiteView:
        """View of ``days`` solar days up to and including ``until`` (None: the newest with readings).

        Raises
        ------
        InputError : the site has no readings there.
        """
        site = store.site.site.id
        last = newest_day(store) if until is None else until
        first = last - days + 1
        key = (site, file_stamp(store.path) if store.path else (), first, last)
        with self._lock:
            gate = self._locks.setdefault(site, threading.Lock())
        with gate:
            with self._lock:
                if key in self._kept:
                    self._kept.move_to_end(key)
                    return self._kept[key]
            view = load_view(store, first, last)
            with self._lock:
                self._kept[key] = view
                while len(self._kept) > _KEPT:
                    self._kept.popitem(last=False)
            return view


def load_view(store: Store, first: int, last: int) -> SiteView:
    """View of the solar days ``first`` to ``last``."""
    longitude = store.site.site.longitude
    start, end = day_bounds(first, longitude)[0], day_bounds(last, longitude)[1]
    telemetry = store.telemetry(start, end)
    if telemetry.empty:
        raise InputError("there are no readings in this window", "Import the readings of these days.")
    check = last_check(store)
    source = check.irradiance_source if check else "own inputs"
    return build_view(store.site, telemetry, store.weather(start, end), source)


def newest_day(store: Store) -> int:
    """Solar day of the newest reading.

    Raises
    ------
    InputError : no readings at all.
    """
    span = store.span()
    if span is None:
        raise InputError("there are no readings yet", "Import what the gateway recorded.")
    from_start, _ = day_bounds(0, store.site.site.longitude)
    return int((span[1] - from_start) // 86400)
