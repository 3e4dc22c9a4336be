// The way to the broker: log in, hear everything that the station says, ask it for things and get replies.
const REPLY_MS = 15000;
let client = null;
let base = "";
const waiting = new Map();

export function connect(session, heard, standing) {
  base = session.base;
  const scheme = location.protocol === "https:" ? "wss" : "ws";
  client = mqtt.connect(`${scheme}://${location.host}/mqtt`, {
    protocolVersion: 4, clean: true, keepalive: 15, reconnectPeriod: 1000, reconnectOnConnackError: true, timerVariant: "native",
    username: session.username, password: session.password, clientId: `board-${random()}`,
  });
  client.on("connect", () => {
    client.subscribe(`${base}/#`, { qos: 1 });
    standing(true);
  });
  client.on("close", () => standing(false));
  client.on("error", () => standing(false));
  client.on("message", (topic, payload) => {
    const levels = topic.slice(base.length + 1).split("/");
    let message = null;
    if (payload.length) {
      try { message = JSON.parse(payload.toString()); } catch { return; }
    }
    if (levels[0] === "reply") {
      const done = waiting.get(levels[1]);
      if (done && message) { waiting.delete(levels[1]); done(message); }
    } else if (levels[0] !== "command") heard(levels, message);
  });
}

// A station that was started anew has new passwords: the next attempt uses them.
export function renew(session) {
  Object.assign(client.options, { username: session.username, password: session.password });
}

export function random() {
  return [...crypto.getRandomValues(new Uint8Array(8))].map((byte) => byte.toString(16).padStart(2, "0")).join("");
}

// Ask the station; resolves with its reply, or with one of our own kind when none comes.
export function ask(verb, args) {
  const request = `board-${random()}`;
  return new Promise((done) => {
    const timer = setTimeout(() => {
      waiting.delete(request);
      done({ ok: false, text: "", silent: true });
    }, REPLY_MS);
    waiting.set(request, (reply) => { clearTimeout(timer); done(reply); });
    const body = { request, expires: Date.now() / 1000 + REPLY_MS / 1000, args, actor: "board" };
    client.publish(`${base}/command/${verb}`, JSON.stringify(body), { qos: 1 });
  });
}
