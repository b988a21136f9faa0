// Reads a calendar from standard input with ical.js and writes what it
// understood as JSON.
import { readFileSync } from "node:fs";
import ICAL from "ical.js";

const calendar = new ICAL.Component(ICAL.parse(readFileSync(0, "utf8")));
const value = (c, name) => c.getFirstPropertyValue(name) ?? "";
process.stdout.write(JSON.stringify({
  method: value(calendar, "method"),
  version: value(calendar, "version"),
  product: value(calendar, "prodid"),
  name: value(calendar, "name"),
  events: calendar.getAllSubcomponents("vevent").map((c) => {
    const e = new ICAL.Event(c);
    return {
      uid: e.uid, summary: e.summary ?? "", description: e.description ?? "", location: e.location ?? "",
      start: e.startDate.toJSDate().toISOString(), end: e.endDate.toJSDate().toISOString(),
      zone: e.startDate.zone.tzid, sequence: value(c, "sequence"), status: value(c, "status"),
      stamp: value(c, "dtstamp").toJSDate().toISOString(), organizer: value(c, "organizer"), transp: value(c, "transp"),
    };
  }),
}));
