// The way to the shop's broker, through the server of this page: it takes our token and logs in there by itself.
const QUIET_MS = 3000; // nothing more of what the broker keeps came for so long: all of it is here
const SHEET_MS = 400; // the same of the sheet alone, then what hangs on few lines of it is asked for
const AGAIN_MS = 1000;
const KEEPALIVE_S = 20;
const NOT_AUTHORISED = 5;
let client = null;
let told = null; // whom to tell what comes
let base = ""; // topics of this shop; empty until we are told
let looking = 0;
let keptAt = 0;
let details = [];
let detailsOf = "";
let onDetail = null;

// Log in, and again whenever the way breaks off. What is listened to follows once `named` has said the shop's topics.
export function connect(token, whom) {
  disconnect();
  told = whom;
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  const ours = mqtt.connect(`${scheme}://${location.host}${location.pathname.replace(/[^/]*$/, "")}mqtt`, {
    protocolVersion: 4, clean: true, keepalive: KEEPALIVE_S, reconnectPeriod: AGAIN_MS, timerVariant: "native", resubscribe: false,
    username: "page", password: token, clientId: `sheet-${random()}`,
  });
  client = ours;
  const mine = (work) => (...given) => { if (client === ours) work(...given); };
  ours.on("connect", mine(() => { told.standing(true); listen(); }));
  ours.on("close", mine(() => { clearInterval(looking); told.standing(false); }));
  ours.on("error", mine((error) => {
    if (!error || error.code !== NOT_AUTHORISED) { told.standing(false); return; }
    const { refused } = told;
    disconnect();
    refused();
  }));
  ours.on("message", mine((topic, payload, packet) => hear(topic, payload.toString(), packet.retain)));
}

export function disconnect() {
  clearInterval(looking);
  const was = client;
  client = null;
  told = null;
  if (was) was.end(true);
}

export function named(topics) {
  base = topics;
  listen();
}

function listen() {
  if (!client || !client.connected || !base) return;
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
  if (client && client.connected && filters.length) client.subscribe(filters, { qos: 0 });
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
  if (client && details.length) client.unsubscribe(details);
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
