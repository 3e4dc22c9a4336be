// Cues aloud, and a spoken number into a field, where the browser can.
import { t } from "./words.js";

let on = false;

export function switchVoice(wanted) {
  on = wanted && "speechSynthesis" in window;
  if (!on && "speechSynthesis" in window) speechSynthesis.cancel();
  return on;
}

export function speak(cue) {
  if (!on || !cue) return;
  if (cue.sort === "caution") speechSynthesis.cancel(); // what is dangerous does not wait behind what is not
  const words = new SpeechSynthesisUtterance(cue.text);
  words.lang = cue.language || document.documentElement.lang;
  speechSynthesis.speak(words);
}

export const canListen = "SpeechRecognition" in window || "webkitSpeechRecognition" in window;

export function listen(language, heard, failed) {
  const Recognition = window.SpeechRecognition || window.webkitSpeechRecognition;
  const ear = new Recognition();
  ear.lang = language;
  ear.maxAlternatives = 1;
  ear.onresult = (event) => heard(event.results[0][0].transcript);
  ear.onerror = () => failed(t("nothing was understood; write the number instead"));
  ear.start();
}
