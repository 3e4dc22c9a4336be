// MQTT 3.1.1 as far as a page needs it that only listens, at QoS 0: packets as bytes, bytes as packets. No network.
const CONNECT = 0x10;
const CONNACK = 2;
const PUBLISH = 3;
const SUBSCRIBE = 0x82;
const UNSUBSCRIBE = 0xa2;
const CLEAN_USER_PASSWORD = 0xc2; // flags of a CONNECT, section 3.1.2.3
const utf8 = new TextEncoder();
const read = new TextDecoder();

export const PING = Uint8Array.of(0xc0, 0);

function text(words) {
  const bytes = utf8.encode(words);
  return [bytes.length >> 8, bytes.length & 0xff, ...bytes];
}

function packet(first, body) {
  const head = [first];
  let length = body.length;
  do {
    head.push((length & 0x7f) | (length > 0x7f ? 0x80 : 0));
    length >>>= 7;
  } while (length);
  return Uint8Array.of(...head, ...body);
}

export function connectPacket({ clientId, username, password, keepalive }) {
  return packet(CONNECT, [...text("MQTT"), 4, CLEAN_USER_PASSWORD, keepalive >> 8, keepalive & 0xff, ...text(clientId), ...text(username), ...text(password)]);
}

export function subscribePacket(id, filters) {
  return packet(SUBSCRIBE, [id >> 8, id & 0xff, ...filters.flatMap((each) => [...text(each), 0])]);
}

export function unsubscribePacket(id, filters) {
  return packet(UNSUBSCRIBE, [id >> 8, id & 0xff, ...filters.flatMap(text)]);
}

// Bytes as they come, in any pieces; what is whole comes out: {code} of a CONNACK, {topic, payload, retained} of a
// PUBLISH, {} of all else. Throws when the bytes are no such packets.
export class Packets {
  #left = new Uint8Array(0);

  * take(bytes) {
    let all = bytes;
    if (this.#left.length) {
      all = new Uint8Array(this.#left.length + bytes.length);
      all.set(this.#left);
      all.set(bytes, this.#left.length);
    }
    this.#left = all;
    for (let at = 0; ;) {
      const [start, end] = bounds(all, at);
      if (end > all.length) return;
      const found = meaning(all, at, start, end);
      at = end;
      this.#left = all.subarray(at);
      yield found;
    }
  }
}

// Where the body of the packet at `at` begins and ends; its end is endless while its length is not known.
function bounds(bytes, at) {
  let length = 0;
  for (let n = 0; n < 4; n += 1) {
    if (at + 1 + n >= bytes.length) return [0, Infinity];
    const byte = bytes[at + 1 + n];
    length += (byte & 0x7f) * 128 ** n;
    if (byte < 0x80) return [at + 2 + n, at + 2 + n + length];
  }
  throw new Error("a packet's length has more than four bytes");
}

function meaning(bytes, at, start, end) {
  const type = bytes[at] >> 4;
  if (type === CONNACK && end - start === 2) return { code: bytes[start + 1] };
  if (type !== PUBLISH) return {};
  const topicEnd = start + 2 + (bytes[start] << 8 | bytes[start + 1]);
  if (bytes[at] & 0x06 || !(topicEnd <= end)) throw new Error("a message that nobody asked for in this way");
  return { topic: read.decode(bytes.subarray(start + 2, topicEnd)), payload: read.decode(bytes.subarray(topicEnd, end)), retained: Boolean(bytes[at] & 1) };
}
