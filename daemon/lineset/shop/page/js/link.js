// The way to the shop's broker, through the server of this page: it takes our token and logs in there by itself.
import { connectPacket, Packets, PING, subscribePacket, unsubscribePacket } from "./packets.js";

const QUIET_MS = 3000; // nothing more of what the broker keeps came for so long: all of it is here
const SHEET_MS = 400; // the same of the sheet alone, then what hangs on few lines of it is asked for
const AGAIN_MS = 1000;
const KEEPALIVE_S = 100; // a page that is not looked at may count time once a minute only
const PING_MS = 20000;
const NOT_AUTHORISED = 5;
let socket = null;
let up = false; // logged in
let told = null; // whom to tell what comes
let password = "";
let base = ""; // topics of this shop; empty until we are told
let packetId = 0;
let again = 0;
let looking = 0;
let pinging = 0;
let unanswered = false; // nothing came since we last asked whether somebody is there
let keptAt = 0;
let details = [];
let detailsOf = "";
let onDetail = null;

// Log in, and again whenever the way breaks off. What is listened to follows once `named` has said the shop's topics.
export function connect(token, whom) {
  disconnect();
  password = token;
  told = whom;
  open();
}

export function disconnect() {
  told = null;
  drop();
}

export function named(topics) {
  base = topics;
  listen();
}

function open() {
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const ours = new WebSocket(`${scheme}://${location.host}${location.pathname.replace(/[^/]*$/, "")}mqtt`, "mqtt");
  const packets = new Packets();
  socket = ours;
  ours.binaryType = "arraybuffer";
  ours.onopen = () => ours.send(connectPacket({ clientId: `sheet-${random()}`, username: "page", password, keepalive: KEEPALIVE_S }));
  ours.onmessage = (event) => {
    if (socket !== ours) return;
    unanswered = false;
    let whole;
    try { whole = [...packets.take(new Uint8Array(event.data))]; } catch { lost(); return; } // not what a broker says
    whole.forEach(take);
  };
  ours.onclose = () => { if (socket === ours) lost(); };
}

function drop() {
  clearTimeout(again);
  clearInterval(looking);
  clearInterval(pinging);
  const was = socket;
  socket = null;
  up = false;
  if (was) was.close();
}

function lost() {
  drop();
  if (!told) return;
  told.standing(false);
  again = setTimeout(open, AGAIN_MS);
}

function take({ code, topic, payload, retained }) {
  if (!socket) return;
  if (code === NOT_AUTHORISED) {
    const { refused } = told;
    disconnect();
    refused();
  } else if (code) lost();
  else if (code === 0) {
    up = true;
    unanswered = false;
    pinging = setInterval(ping, PING_MS);
    told.standing(true);
    listen();
  } else if (topic !== undefined) hear(topic, payload, retained);
}

function ping() {
  if (unanswered) { lost(); return; } // nobody is there any more
  unanswered = true;
  socket.send(PING);
}

function listen() {
  if (!up || !base) return;
  clearInterval(looking);
  keptAt = Date.now();
  let more = [`${base}/+/instrument/+`];
  looking = setInterval(() => {
    const quiet = Date.now() - keptAt;
    if (more.length && quiet > SHEET_MS) { subscribe(more); more = []; keptAt = Date.now(); }
    if (quiet > QUIET_MS) { clearInterval(looking); told.settled(); }
  }, 200);
  subscribe([`${base}/+/visit/+`, `${base}/+/station`]);
  subscribe(details);
}

function subscribe(filters) {
  if (up && filters.length) socket.send(subscribePacket(nextId(), filters));
}

function nextId() {
  packetId = packetId % 0xffff + 1;
  return packetId;
}

function hear(topic, payload, retained) {
  const levels = topic.slice(base.length + 1).split("/");
  if (retained) keptAt = Date.now();
  let message = null;
  if (payload) {
    try { message = JSON.parse(payload); } catch { return; }
  }
  if (levels.length > 3 && levels[1] === "visit") {
    if (onDetail && `${levels[0]}/${levels[2]}` === detailsOf) onDetail(levels.slice(3), message);
  } else told.heard(levels, message, retained);
}

// Everything of one visit; an empty name: of none any more.
export function listenTo(station, visit, heard, notes = false) {
  if (up && details.length) socket.send(unsubscribePacket(nextId(), details));
  detailsOf = station ? `${station}/${visit}` : "";
  onDetail = heard;
  const at = `${base}/${station}/visit/${visit}/+`;
  details = station ? [`${at}/now`, `${at}/run`, `${at}/+/settled/+`, `${at}/+/check/+`, `${at}/+/finding/+`,
    ...(notes ? [`${base}/${station}/visit/${visit}/observation/+`] : [])] : [];
  subscribe(details);
}

function random() {
  return [...crypto.getRandomValues(new Uint8Array(8))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
