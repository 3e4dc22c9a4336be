// One plot of one value: lowest and highest of each span from the record, then what comes live.
import { say } from "../shared/dom.js";
import { t } from "../shared/words.js";
import { ask } from "./ask.js";
import { marks, momentWords } from "./when.js";
import { upper } from "./words.js";

const LIVE_GAP_S = 2;
let plot = null;
let shown = null; // { key, of, data: [t, low, high], unit, title }
let asked = "";
let holderOf = null;
let wordsOf = null;
let due = false;

export function clearPlot() {
  if (plot) plot.destroy();
  plot = null;
  shown = null;
  asked = "";
}

export async function showPlot(open, value, holder, words) {
  const key = `${open.key}/${value}`;
  if (asked === key) return;
  clearPlot();
  asked = key;
  holderOf = holder;
  wordsOf = words;
  const slash = value.indexOf("/");
  const [system, name] = [value.slice(0, slash), value.slice(slash + 1)];
  say(words, t("Looking."));
  try {
    const [told] = await Promise.all([ask(`/visits/${open.station}/${open.visit}/series`, { name, system, points: 800 }), fetchLibrary()]);
    if (asked !== key) return;
    shown = {
      key, system, name, unit: told.shown_unit, title: told.title, data: [[...told.t], [...told.shown_low], [...told.shown_high]],
    };
    drawPlot();
  } catch (error) {
    if (asked === key) say(words, error.message);
  }
}

// All values of a system at this moment, as texts in the station's units; taken where the unit is the plot's.
export function live(system, message) {
  if (!shown || shown.system !== system) return;
  const value = (message.readings || {})[shown.name] || (message.derived || {})[shown.name];
  if (!value || value.quality === "stale") return;
  const match = /^([-−]?[\d.,]+)\s*(.*)$/.exec((value.text || "").replace("−", "-"));
  if (!match || match[2] !== shown.unit) return;
  const [times, low, high] = shown.data;
  if (times.length && message.t < times[times.length - 1] + LIVE_GAP_S) return;
  const number = Number(match[1].replace(",", ""));
  times.push(message.t);
  low.push(number);
  high.push(number);
  if (due) return;
  due = true;
  requestAnimationFrame(() => { due = false; if (shown) drawPlot(); });
}

// The plotting library is big and most who plan a day look at no plot: it is fetched with the first.
let library = null;
function fetchLibrary() {
  library ||= new Promise((done, failed) => {
    const at = (name) => `vendor/${name}`;
    const look = document.createElement("link");
    const script = document.createElement("script");
    Object.assign(look, { rel: "stylesheet", href: at("uPlot.min.css") });
    Object.assign(script, { src: at("uPlot.iife.min.js"), onload: done });
    script.onerror = look.onerror = () => { library = null; failed(new Error(t("The shop's computer cannot be reached."))); };
    document.head.prepend(look, script); // our own look comes after it
  });
  return library;
}

function drawPlot() {
  const width = Math.max(240, Math.min(holderOf.clientWidth || 320, 1200));
  const [times, low, high] = shown.data;
  if (!plot) {
    const style = getComputedStyle(document.documentElement);
    const [ink, mark, rule] = ["--ink", "--mark", "--rule"].map((name) => style.getPropertyValue(name).trim());
    const axis = { stroke: ink, grid: { stroke: rule, width: 0.5 }, ticks: { stroke: rule } };
    plot = new uPlot({
      width, height: 280, cursor: { drag: { x: true, y: false } }, scales: { x: { time: true } }, axes: [{ ...axis, space: 84, values: (its, times) => marks(times) }, { ...axis, label: shown.unit, size: 64 }],
      series: [
        { label: t("time"), value: (its, at) => (at === null ? "" : momentWords(at)) }, { label: t("lowest"), stroke: mark, width: 1.5 },
        { label: t("highest"), stroke: mark, width: 1.5 },
      ],
      bands: [{ series: [2, 1], fill: `${mark}40` }],
    }, shown.data, holderOf);
  } else {
    if (plot.width !== width) plot.setSize({ width, height: 280 });
    plot.setData(shown.data);
  }
  // the same in words, for who cannot see it
  say(wordsOf, times.length ? t("{title}: from {low} to {high}, last {last}.", {
    title: upper(t(shown.title)), low: lowest(low), high: `${highest(high)}${shown.unit ? ` ${shown.unit}` : ""}`, last: high[high.length - 1],
  }) : t("No values."));
}

const lowest = (values) => values.reduce((least, value) => Math.min(least, value), Infinity);
const highest = (values) => values.reduce((most, value) => Math.max(most, value), -Infinity);
