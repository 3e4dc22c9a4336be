// A photo made small in the page, and sent in parts small enough for any broker.
import { sha256 } from "../vendor/sha256.min.mjs";
import { ask } from "./link.js";

const LONGEST = 1600;
const PART = 192 * 1024;

export async function smaller(file) {
  const picture = await createImageBitmap(file);
  const scale = Math.min(1, LONGEST / Math.max(picture.width, picture.height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(picture.width * scale);
  canvas.height = Math.round(picture.height * scale);
  canvas.getContext("2d").drawImage(picture, 0, 0, canvas.width, canvas.height);
  const blob = await new Promise((done) => canvas.toBlob(done, "image/jpeg", 0.8));
  return new Uint8Array(await blob.arrayBuffer()); // drawn anew, so that place and time in the file's margins are gone
}

function base64(bytes) {
  let text = "";
  for (let at = 0; at < bytes.length; at += 0x8000) text += String.fromCharCode(...bytes.subarray(at, at + 0x8000));
  return btoa(text);
}

// Resolves with the hash, or throws an Error with the station's words.
export async function send(bytes, progress) {
  const hash = sha256(bytes);
  const parts = Math.max(1, Math.ceil(bytes.length / PART));
  for (let part = 0; part < parts; part += 1) {
    progress(part, parts);
    const data = base64(bytes.subarray(part * PART, (part + 1) * PART));
    const reply = await ask("blob", { sha256: hash, media_type: "image/jpeg", size: bytes.length, data, part, parts });
    if (!reply.ok) throw new Error(reply.text);
  }
  return hash;
}
