"""Holds the answers of a running lampward against parsers that are not ours. Usage: check.py http://127.0.0.1:8460"""

import json
import sys
import urllib.request

import icalendar
from openapi_spec_validator import validate
from prometheus_client.openmetrics.parser import text_string_to_metric_families

PAGE = sys.argv[1]


def get(path):
    with urllib.request.urlopen(PAGE + path, timeout=30) as answer:
        return answer.read()


families = {family.name: family for family in text_string_to_metric_families(get("/metrics").decode())}
for name in ("lampward_build", "lampward_switchings", "lampward_lateness_seconds", "lampward_broker_up"):
    assert name in families, f"{name} is not among {sorted(families)}"
print(f"openmetrics: {len(families)} families")

calendar = icalendar.Calendar.from_ical(get("/calendar.ics"))
events = calendar.walk("VEVENT")
uids = {str(event["uid"]) for event in events}
assert events and len(uids) == len(events), "each event has a name of its own"
for event in events:
    start, end = event.decoded("dtstart"), event.decoded("dtend")
    assert start.utcoffset() is not None and start < end, event
    assert not event.errors, event.errors
assert not calendar.errors, calendar.errors
print(f"calendar: {len(events)} events")

document = json.loads(get("/openapi.json"))
validate(document)
print(f"openapi: {len(document['paths'])} paths")
