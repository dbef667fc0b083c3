"""Reads a calendar feed with the icalendar library: feed.py FILE prints one line an event: UID, first day, last day, title."""

import sys

import icalendar

with open(sys.argv[1], "rb") as f:
    feed = icalendar.Calendar.from_ical(f.read())
for event in feed.walk("VEVENT"):
    print(event["UID"], event.decoded("DTSTART"), event.decoded("DTEND"), event["SUMMARY"], sep="\t")
