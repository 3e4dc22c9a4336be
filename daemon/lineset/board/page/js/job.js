// What is known, from messages alone: the last of each retained topic, and a while of each value for the plot.
const KEEP_S = 3600;

export const job = {
  station: null, visit: null, visitId: "", instruments: {}, systems: {}, questions: {}, cue: null, observations: {},
  placed: {}, declared: {},
};

function system(id) {
  return (job.systems[id] ||= { now: null, run: null, worklist: null, settled: {}, checks: {}, findings: {}, series: {}, live: {} });
}

function forget() {
  Object.assign(job, { visit: null, visitId: "", systems: {}, questions: {}, cue: null, observations: {}, placed: {}, declared: {} });
}

// A point's name from its level in a topic: heat_strip_current-2 is heat_strip_current.2
const nameOf = (level) => level.replace(/-(\d+)$/, ".$1");

function put(table, key, message) {
  if (message === null) delete table[key];
  else table[key] = message;
}

// Take one message in; returns what changed: "live", "state" or "".
export function take(levels, message) {
  const [first, second, third, fourth, fifth, sixth] = levels;
  if (first === "station") {
    if (!message || !job.station || message.t >= job.station.t) job.station = message;
    return "state";
  }
  if (first === "instrument") { put(job.instruments, second, message); return "state"; }
  if (first !== "visit") return "";
  if (levels.length === 2) {
    if (message === null) { if (second === job.visitId) forget(); return "state"; }
    if (message.state !== "open" && second !== job.visitId && job.visit && job.visit.state === "open") return "";
    if (second !== job.visitId) {
      if (job.visit && job.visit.t > message.t && message.state !== "open") return "";
      const early = job.early && job.early.visit === second ? job.early.messages : [];
      forget();
      job.visitId = second;
      job.early = null;
      for (const [levelsThen, messageThen] of early) take(levelsThen, messageThen);
    }
    job.visit = message;
    return "state";
  }
  if (second !== job.visitId) {
    // what is said of a visit may come before what says that there is one
    if (!job.early || job.early.visit !== second) job.early = { visit: second, messages: [] };
    if (job.early.messages.length < 5000) job.early.messages.push([levels, message]);
    return "";
  }
  if (third === "question") { put(job.questions, fourth, message); return "state"; }
  if (third === "cue") { job.cue = message; return "cue"; }
  if (third === "observation") { put(job.observations, fourth, message); return "state"; }
  if (third === "event") {
    // where each channel was put last, so that a wrong placement can be put right by naming that entry
    if (fourth === "placed" && message) job.placed[`${message.body.instrument}/${message.body.channel}`] = message.seq;
    if (fourth === "declared" && message) {
      const { system: id, fact, value = true } = message.body; // what is as usual is left out
      (job.declared[id] ||= {})[fact] = value;
    }
    return "state";
  }
  const its = system(third);
  if (fourth === "now") { its.now = message; if (message) remember(its, message); return "live"; }
  if ((fourth === "reading" || fourth === "derived") && message) { its.live[nameOf(fifth)] = message; return "live"; }
  if (fourth === "run") { its.run = message; return "state"; }
  if (fourth === "worklist") { its.worklist = message; return "state"; }
  if (fifth === "settled") { put(its.settled, `${fourth}/${nameOf(sixth)}`, message); return "state"; }
  if (fifth === "check") { put(its.checks, `${fourth}/${nameOf(sixth)}`, message); return "state"; }
  if (fifth === "finding") { put(its.findings, `${fourth}/${sixth}`, message); return "state"; }
  return "";
}

// Plots show what a person reads: the number of the text, in the station's display units.
function remember(its, message) {
  for (const [name, value] of [...Object.entries(message.readings || {}), ...Object.entries(message.derived || {})]) {
    const match = /^([-−]?[\d.,]+)\s*(.*)$/.exec((value.text || "").replace("−", "-"));
    const line = (its.series[name] ||= { t: [], v: [], unit: "" });
    if (line.t.length && message.t <= line.t[line.t.length - 1]) continue;
    line.t.push(message.t);
    line.v.push(match && value.quality !== "stale" ? Number(match[1].replace(",", "")) : null);
    if (match) line.unit = match[2];
    const oldest = message.t - KEEP_S;
    let from = 0;
    while (line.t[from] < oldest) from += 1;
    if (from > 600) { line.t.splice(0, from); line.v.splice(0, from); }
  }
}
