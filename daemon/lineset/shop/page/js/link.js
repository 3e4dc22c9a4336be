// The way to the shop's broker, through the server of this page: it takes our token and logs in there by itself.
const QUIET_MS = 3000; // nothing more of what the broker keeps came for so long: all of it is here
let client = null;
let base = "";
let details = [];
let detailsOf = "";
let onDetail = null;

export function connect(session, token, { heard, standing, refused, settled }) {
  base = session.base;
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  let timer = 0;
  let kept = 0;
  client = mqtt.connect(`${scheme}://${location.host}${location.pathname.replace(/[^/]*$/, "")}mqtt`, {
    protocolVersion: 4, clean: true, keepalive: 20, reconnectPeriod: 1000, timerVariant: "native", resubscribe: false,
    username: "page", password: token || "-", clientId: `sheet-${random()}`,
  });
  client.on("connect", () => {
    standing(true);
    clearInterval(timer);
    kept = Date.now();
    let more = `${base}/+/instrument/+`; // the sheet first, then what hangs on few lines of it
    timer = setInterval(() => {
      const quiet = Date.now() - kept;
      if (more && quiet > 400) { client.subscribe(more, { qos: 0 }); more = ""; kept = Date.now(); }
      if (quiet > QUIET_MS) { clearInterval(timer); settled(); }
    }, 200);
    client.subscribe([`${base}/+/visit/+`, `${base}/+/station`], { qos: 0 });
    if (details.length) client.subscribe(details, { qos: 0 });
  });
  client.on("close", () => { clearInterval(timer); standing(false); });
  client.on("error", (error) => {
    if (error && error.code === 5) { client.end(true); refused(); } else standing(false);
  });
  client.on("message", (topic, payload, packet) => {
    const levels = topic.slice(base.length + 1).split("/");
    if (packet.retain) kept = Date.now();
    let message = null;
    if (payload.length) {
      try { message = JSON.parse(payload.toString()); } catch { return; }
    }
    if (levels.length > 3 && levels[1] === "visit") {
      if (onDetail && `${levels[0]}/${levels[2]}` === detailsOf) onDetail(levels.slice(3), message);
    } else heard(levels, message, packet.retain);
  });
}

// Everything of one visit; an empty name: of none any more.
export function listenTo(station, visit, heard, notes = false) {
  if (client && details.length) client.unsubscribe(details);
  detailsOf = station ? `${station}/${visit}` : "";
  onDetail = heard;
  const at = `${base}/${station}/visit/${visit}/+`;
  details = station ? [`${at}/now`, `${at}/run`, `${at}/+/settled/+`, `${at}/+/check/+`, `${at}/+/finding/+`,
    ...(notes ? [`${base}/${station}/visit/${visit}/observation/+`] : [])] : [];
  if (client && client.connected && details.length) client.subscribe(details, { qos: 0 });
}

function random() {
  return [...crypto.getRandomValues(new Uint8Array(8))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}
