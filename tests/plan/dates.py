#!/usr/bin/env python3
"""Dates of rules that RFC 5545 can say as well, by python-dateutil's rrule.

    pip install python-dateutil
    python dates.py > dates.txt
"""
import datetime as dt

from dateutil.rrule import DAILY, YEARLY, rrule, rruleset, rrulestr

FIRST, LAST = dt.datetime(2026, 1, 1), dt.datetime(2029, 12, 31)


def show(rule, found):
    print(rule)
    print(" ".join(day.strftime("%Y-%m-%d") for day in found))


def text(rule):
    return rrulestr(rule, dtstart=FIRST).between(FIRST, LAST, inc=True)


show('days = "Mon-Fri"', text("FREQ=WEEKLY;BYDAY=MO,TU,WE,TH,FR"))
show('days = "Fri-Sun"', text("FREQ=WEEKLY;BYDAY=FR,SA,SU"))
show('days = "Sun Wed"', text("FREQ=WEEKLY;BYDAY=SU,WE"))
show('season = "1 Jun to 31 Aug"', text("FREQ=DAILY;BYMONTH=6,7,8"))
show('season = "1 Nov to 31 Mar"', text("FREQ=DAILY;BYMONTH=11,12,1,2,3"))
show('season = "29 Feb to 29 Feb"', text("FREQ=YEARLY;BYMONTH=2;BYMONTHDAY=29"))
show('season = "1 Feb to 29 Feb", days = "Sat Sun"', text("FREQ=DAILY;BYMONTH=2;BYDAY=SA,SU"))
advent = rruleset()
advent.rrule(rrule(DAILY, dtstart=FIRST, until=LAST, bymonth=12))
advent.rrule(rrule(DAILY, dtstart=FIRST, until=LAST, bymonth=1, bymonthday=range(1, 7)))
advent.exrule(rrule(YEARLY, dtstart=FIRST, until=LAST, bymonth=12, bymonthday=24))
for day in range(28, 32):
    advent.exdate(dt.datetime(2027, 12, day))
show('season = "1 Dec to 6 Jan", except = ["24 Dec", "2027-12-28 to 2027-12-31"]', list(advent))
