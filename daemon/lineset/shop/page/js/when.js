// Days and times in the page's language, by the reader's own clock: hours as the browser's own language counts them.
import { t } from "../shared/words.js";

let locale = [];
let hours = {};
const made = new Map();

// Whoever reads Spanish here reads it as it is written in the United States, unless the browser says where.
export function speak(language) {
  const own = (navigator.languages || []).find((each) => each.split("-")[0] === language);
  locale = own || { en: "en-US", es: "es-US" }[language] || language;
  const cycle = new Intl.DateTimeFormat([], { hour: "numeric" }).resolvedOptions().hourCycle;
  hours = cycle ? { hourCycle: cycle } : {};
  made.clear();
}

function written(name, options, at) {
  let found = made.get(name);
  if (!found) { found = new Intl.DateTimeFormat(locale, options); made.set(name, found); }
  return found.format(at);
}

export function clock(seconds) {
  return written("clock", { hour: "numeric", minute: "2-digit", ...hours }, seconds * 1000).replace(/\s/g, "\u00a0");
}

export function dayWords(seconds) {
  return written("day", { weekday: "long", day: "numeric", month: "long" }, seconds * 1000);
}

// A day and a time of it, short enough for a table.
export function momentWords(seconds) {
  return written("moment", { year: "numeric", month: "short", day: "numeric", hour: "numeric", minute: "2-digit", ...hours }, seconds * 1000);
}

// A calendar day as files write it (2026-11-25), in words.
export function dateWords(day) {
  const [year, month, date] = day.split("-").map(Number);
  return written("date", { year: "numeric", month: "long", day: "numeric" }, new Date(year, month - 1, date));
}

const sameDay = (some, other) => new Date(some * 1000).toDateString() === new Date(other * 1000).toDateString();

// "since 9:40", with the day where it was not today
export function sinceWords(opened, now) {
  if (!opened) return "";
  return sameDay(opened, now) ? t("since {time}", { time: clock(opened) }) : t("since {day}, {time}", { day: dayWords(opened), time: clock(opened) });
}

export function closedWords(closed, now) {
  if (!closed) return t("Closed.");
  return once(sameDay(closed, now) ? t("Closed at {time}.", { time: clock(closed) }) : t("Closed on {day}, {time}.", { day: dayWords(closed), time: clock(closed) }));
}

// A sentence that ends with an abbreviation (7:49 p.m.) has one full stop.
export const once = (text) => text.replace(/\.\.$/, ".");

// Marks of a plot's time axis: times, and the day where a mark begins another.
export function marks(times) {
  return times.map((at, place) => (place && !sameDay(times[place - 1], at) ? `${clock(at)}\n${written("mark", { day: "numeric", month: "short" }, at * 1000)}` : clock(at)));
}
