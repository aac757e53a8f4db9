#!/usr/bin/env python3
"""Expected instants of the plan's tests, by ERFA (IAU 2006/2000A), sharing nothing with Lampward.

    pip install pyerfa==2.0.1.5 numpy
    python reference.py LATITUDE LONGITUDE DATE [ALTITUDE_DEG]

Prints the turns and the passings of an altitude (-50' unless given) of the local mean solar date, as defined in the
project's reference table: centre of the Sun, apparent, topocentric, without refraction, UTC taken as UT1.
"""
import datetime as dt
import sys

import erfa
import numpy as np

TT_UT1_S = 69.1
DAY = 86400.0


def place(lat, lon, unix):
    """Altitude in degrees and hour angle in radians."""
    jd = 2440587.5 + unix / DAY
    tt = jd + TT_UT1_S / DAY
    heliocentric, barycentric = erfa.epv00(tt, 0.0)
    sun = barycentric["p"] - heliocentric["p"]
    for _ in range(2):  # light time
        distance = np.linalg.norm(sun - barycentric["p"])
        then_h, then_b = erfa.epv00(tt, -distance * 499.004784 / DAY)
        sun = then_b["p"] - then_h["p"]
    towards = sun - barycentric["p"]
    distance = np.linalg.norm(towards)
    velocity = barycentric["v"] / 173.1446326846693
    apparent = erfa.ab(towards / distance, velocity, np.linalg.norm(heliocentric["p"]), np.sqrt(1 - velocity @ velocity))
    true_of_date = erfa.pnm06a(tt, 0.0) @ apparent
    turned = erfa.rz(erfa.gst06a(jd, 0.0, tt, 0.0), np.eye(3)) @ (true_of_date * distance)
    here = np.array(erfa.gd2gc(1, np.radians(lon), np.radians(lat), 0.0)) / 149597870700.0
    seen = turned - here
    up = np.array([np.cos(np.radians(lat)) * np.cos(np.radians(lon)),
                   np.cos(np.radians(lat)) * np.sin(np.radians(lon)), np.sin(np.radians(lat))])
    hour_angle = np.radians(lon) - np.arctan2(seen[1], seen[0])
    return np.degrees(np.arcsin(seen @ up / np.linalg.norm(seen))), (hour_angle + np.pi) % (2 * np.pi) - np.pi


def transit(lat, lon, near, upper):
    for _ in range(4):
        angle = place(lat, lon, near)[1] - (0 if upper else np.pi)
        near -= ((angle + np.pi) % (2 * np.pi) - np.pi) / (2 * np.pi) * DAY
    return near


def extreme(lat, lon, near, upper):
    low, high = near - 3 * 3600, near + 3 * 3600
    for _ in range(80):  # golden enough: thirds
        a, b = low + (high - low) / 3, high - (high - low) / 3
        if (place(lat, lon, a)[0] < place(lat, lon, b)[0]) == upper:
            low = a
        else:
            high = b
    return (low + high) / 2


def crossing(lat, lon, low, high, altitude):
    """Between low (below) and high (above)."""
    if place(lat, lon, low)[0] >= altitude:
        return "above"
    if place(lat, lon, high)[0] <= altitude:
        return "below"
    for _ in range(50):
        middle = (low + high) / 2
        low, high = (middle, high) if place(lat, lon, middle)[0] < altitude else (low, middle)
    return low


def iso(unix):
    if isinstance(unix, str):
        return unix
    return (dt.datetime(1970, 1, 1) + dt.timedelta(seconds=round(unix, 2))).isoformat(timespec="milliseconds") + "Z"


def day(lat, lon, date, altitude):
    noon = (dt.date.fromisoformat(date) - dt.date(1970, 1, 1)).days * DAY + DAY / 2 - lon * 240
    turns = [transit(lat, lon, noon + by, upper) for by, upper in ((-DAY / 2, False), (0, True), (DAY / 2, False))]
    low, top, last = (extreme(lat, lon, turn, upper) for turn, upper in zip(turns, (False, True, False)))
    rise, fall = crossing(lat, lon, low, top, altitude), crossing(lat, lon, last, top, altitude)
    return turns + [rise, fall]


if __name__ == "__main__":
    lat, lon, date = float(sys.argv[1]), float(sys.argv[2]), sys.argv[3]
    altitude = float(sys.argv[4]) if len(sys.argv) > 4 else -50 / 60
    before, noon, after, rise, fall = map(iso, day(lat, lon, date, altitude))
    print(f"midnight {before} rise {rise} noon {noon} set {fall} midnight {after}")
