// What is known of the shop from messages alone, and what changed since it was last shown.
export const SILENT_S = 15 * 60; // a station with an open visit that says nothing for so long is flagged
const SOON_DAYS = 14;

export const known = { stations: new Map(), visits: new Map(), instruments: new Map() };
export const changed = { visits: new Set(), stations: false, instruments: false, all: true, ended: 0 };
const news = [];
let generation = 0;
let coming = 0; // visits in the order in which they were first heard of, which breaks ties without a jump

const seconds = () => Date.now() / 1000;

function station(name) {
  let its = known.stations.get(name);
  if (!its) {
    its = { name, heard: 0, live: false, told: null, seen: generation };
    known.stations.set(name, its);
  }
  return its;
}

// Heard of a station: what comes live counts by our own clock, what was kept by the broker by the station's.
function hear(its, message, live) {
  const at = live ? seconds() : Math.min(message.t || 0, seconds());
  if (at > its.heard) { its.heard = at; changed.stations = true; }
  its.seen = generation;
}

// One message; `levels` are those below the shop's base. A retained one is what the broker kept, not news.
export function take(levels, message, retained) {
  const [name, first, second] = levels;
  if (first === "station" && levels.length === 2) {
    if (!message) { known.stations.delete(name); changed.all = true; return; }
    const its = station(name);
    // a broker may hand out an old kept message after a live one: the later counts, what comes live counts always
    if (its.told && retained && message.t < its.told.t) { its.seen = generation; return; }
    if (message.online || retained || !its.told) hear(its, message, !retained);
    its.told = message;
    changed.stations = true;
    touchVisitsOf(name);
  } else if (first === "visit" && levels.length === 3) takeVisit(name, second, message, retained);
  else if (first === "instrument" && levels.length === 3) takeInstrument(name, second, message, retained);
}

function touchVisitsOf(name) {
  for (const visit of known.visits.values()) if (visit.station === name) changed.visits.add(visit.key);
}

function takeVisit(name, id, message, retained) {
  const key = `${name}/${id}`;
  if (!message) {
    if (known.visits.delete(key)) { changed.all = true; changed.ended += 1; }
    return;
  }
  let its = known.visits.get(key);
  if (!its) {
    its = { key, station: name, visit: id, told: message, version: 0, order: (coming += 1) };
    known.visits.set(key, its);
    changed.all = true;
  } else {
    if (retained && message.t < its.told.t) { its.seen = generation; return; }
    if (!retained) newsOf(its, message);
  }
  if (its.told.state !== message.state) { changed.all = true; changed.ended += 1; }
  its.told = message;
  its.version += 1;
  its.seen = generation;
  changed.visits.add(key);
  hear(station(name), message, !retained);
}

// What somebody at a desk should be told at once: a new want.
function newsOf(its, message) {
  const before = new Set((its.told.wanted || []).map((want) => want.seq));
  for (const want of message.wanted || []) {
    if (!before.has(want.seq)) news.push({ station: its.station, visit: its.visit, want });
  }
}

export function takeNews() {
  return news.splice(0);
}

function takeInstrument(name, id, message, retained) {
  const key = `${name}/${id}`;
  if (!message) known.instruments.delete(key);
  else {
    const due = Object.values(message.calibration_due || {}).sort()[0] || "";
    const before = known.instruments.get(key);
    if (before && before.due === due) { before.seen = generation; return; }
    known.instruments.set(key, { key, station: name, instrument: id, due, seen: generation });
    hear(station(name), message, !retained);
  }
  changed.instruments = true;
}

// A new connection hands out anew what is kept: what is not among it went while nobody listened.
export function connectedAnew() {
  generation += 1;
}

export function forgetUnseen() {
  for (const table of [known.visits, known.instruments, known.stations]) {
    for (const [key, its] of table) if (its.seen !== generation && !(table === known.stations && its.asked)) { table.delete(key); changed.all = true; }
  }
  changed.instruments = true;
}

// What the database tells of stations: when something of their record last came.
export function heardByRecord(rows) {
  for (const row of rows) {
    if (row.revoked_at) continue;
    const its = station(row.station);
    its.asked = true;
    const at = row.received_last_at ? Date.parse(row.received_last_at) / 1000 : 0;
    if (at > its.heard) its.heard = at;
  }
  changed.stations = true;
}

export function online(name) {
  const its = known.stations.get(name);
  return Boolean(its && its.told && its.told.online);
}

// For how long a station with an open visit has said nothing; 0 while that is not too long.
export function silence(name, now = seconds()) {
  const its = known.stations.get(name);
  if (!its || !its.heard) return 0;
  const quiet = now - its.heard;
  return quiet > SILENT_S ? quiet : 0;
}

export function openVisits() {
  return [...known.visits.values()].filter((visit) => visit.told.state === "open");
}

// Instruments past their date, and those soon to be, the first due first.
export function calibration(today) {
  const soon = new Date(Date.parse(today) + SOON_DAYS * 86400000).toISOString().slice(0, 10);
  return [...known.instruments.values()].filter((each) => each.due && each.due <= soon)
    .sort((a, b) => a.due.localeCompare(b.due) || a.key.localeCompare(b.key));
}
