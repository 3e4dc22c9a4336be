// What a dispatcher reads of a visit: sentences, from one retained message. No page, no network.
const PHASE = {
  at_rest: "Before it runs: readings at rest", before: "Measuring before the work", work: "At work", drying: "Waiting for the coil to dry",
  after: "Measuring after the work",
};
const WANT = { approval: "approval", part: "part", return_visit: "return visit" };
const SOON = { now: ", before it runs again", soon: "", next_visit: ", by the next visit", note: "" };
const URGENCY = ["now", "soon", "next_visit", "note", ""];
export const VERDICT = {
  pass: "within its limits", fail: "outside its limits", undecided: "cannot be decided", advisory: "advice only",
  not_applicable: "cannot be checked here",
};

export const phaseWords = (phase) => PHASE[phase] || phase.replace(/_/g, " ");

export function spanWords(seconds) {
  const minutes = Math.round(seconds / 60);
  if (minutes < 1) return "less than a minute";
  if (minutes === 1) return "1 minute";
  if (minutes < 120) return `${minutes} minutes`;
  const hours = Math.round(minutes / 60);
  return hours < 48 ? `${hours} hours` : `${Math.round(hours / 24)} days`;
}

export function leftWords(visit) {
  const left = Math.ceil(visit.minutes_left || 0);
  if (!left) return "";
  return left === 1 ? "about 1 minute left" : `about ${left} minutes left`;
}

export function progressWords(visit) {
  let done = 0;
  let total = 0;
  for (const [some, all] of Object.values(visit.progress || {})) { done += some; total += all; }
  return total ? `${done} of ${total} lines of the sheet done` : "";
}

// A system by its title, and only where there is more than one to tell apart.
export function systemWords(visit, id) {
  const systems = visit.systems || {};
  if (Object.keys(systems).length < 2) return "";
  return (systems[id] && systems[id].title) || id || "";
}

// One sentence for each thing seen: "Approval and part: the capacitor's top is bulged (Upstairs)."
export function wantLines(visit) {
  return (visit.wanted || []).map((want) => {
    const sorts = Object.keys(WANT).filter((sort) => want.wants.includes(sort)).map((sort) => WANT[sort]);
    const last = sorts.pop();
    const head = sorts.length ? `${sorts.join(", ")} and ${last}` : last;
    const where = systemWords(visit, want.system);
    const what = want.title || (want.about ? `something about the ${want.about.replace(/_/g, " ")}` : "see what was written");
    return { key: String(want.seq), text: `${head[0].toUpperCase()}${head.slice(1)}: ${what}${where ? ` (${where})` : ""}${SOON[want.urgency || ""] || ""}.` };
  });
}

export function foundLines(visit) {
  const lines = (visit.found || []).filter((found) => found.rank === 1 || (visit.found || []).length < 3).slice(0, 4).map((found) => {
    const where = systemWords(visit, found.system);
    return `${where ? `${where}: ` : ""}${found.title}${found.confidence ? ` (${found.confidence})` : ""}`;
  });
  const outside = (visit.checks || {}).fail || 0;
  if (outside) lines.push(plural(outside, "1 check outside its limits", "{n} checks outside their limits"));
  return lines;
}

// How pressing: lower comes first. Somebody waits on site for an approval; a part can come; a return visit can be booked.
export function pressing(visit, silent) {
  const wanted = visit.wanted || [];
  if (!wanted.length) return silent ? 40 : 100;
  const sorts = new Set(wanted.flatMap((want) => want.wants));
  const urgency = Math.min(...wanted.map((want) => URGENCY.indexOf(want.urgency || "")));
  const sort = sorts.has("approval") ? 0 : sorts.has("part") ? 10 : 20;
  return sort + Math.max(0, urgency);
}

export function clock(seconds) {
  return new Date(seconds * 1000).toLocaleTimeString([], { hour: "numeric", minute: "2-digit" }).replace(/\s/g, "\u00a0");
}

export function dayWords(seconds) {
  return new Date(seconds * 1000).toLocaleDateString([], { weekday: "long", day: "numeric", month: "long" });
}

// "since 9:40", with the day where it was not today
export function sinceWords(opened, now) {
  if (!opened) return "";
  const same = new Date(opened * 1000).toDateString() === new Date(now * 1000).toDateString();
  return same ? `since ${clock(opened)}` : `since ${dayWords(opened)}, ${clock(opened)}`;
}

export function plural(n, one, many) {
  return n === 1 ? one : many.replace("{n}", n);
}
