#!/usr/bin/env python3
"""Every clock change of every zone from 2024 to 2037, by Python's zoneinfo with the tzdata package alone.

    pip install tzdata==2026.6        # tz database 2026f
    python changes.py > changes.txt

Zones with the same changes stand together: a line of names, then a line for each change with its instant in UTC and
the UTC offsets before and after it, in seconds.
"""
import collections
import datetime as dt
import importlib.metadata
import zoneinfo

zoneinfo.reset_tzpath(to=[])  # the package, not the system
UTC = dt.timezone.utc
FIRST, LAST = dt.datetime(2024, 1, 1, tzinfo=UTC), dt.datetime(2038, 1, 1, tzinfo=UTC)
STEP = dt.timedelta(hours=12)


def offset(zone, at):
    return int(at.astimezone(zone).utcoffset().total_seconds())


def changes(zone):
    found, low = [], FIRST
    before = offset(zone, low)
    while low < LAST:
        high = low + STEP
        after = offset(zone, high)
        if after != before:
            while high - low > dt.timedelta(seconds=1):
                middle = low + dt.timedelta(seconds=int((high - low).total_seconds()) // 2)
                low, high = (middle, high) if offset(zone, middle) == before else (low, middle)
            found.append((high.strftime("%Y-%m-%dT%H:%M:%SZ"), before, after))
            before = after
        low = high if after == before and high > low else low + STEP
    return tuple(found)


groups = collections.defaultdict(list)
for name in sorted(zoneinfo.available_timezones()):
    groups[changes(zoneinfo.ZoneInfo(name))].append(name)
groups.pop((), None)
print("# tzdata " + importlib.metadata.version("tzdata"))
for found, names in sorted(groups.items(), key=lambda item: item[1]):
    print(" ".join(names))
    for change in found:
        print(*change)
