// One plot of one value, with the spans in which it had settled shaded.
import { choices, say } from "./dom.js";
import { job } from "./job.js";
import { t } from "./words.js";

let plot = null;
let shown = "";

export function options() {
  const found = [];
  for (const [system, its] of Object.entries(job.systems)) {
    for (const name of Object.keys(its.series)) {
      if (its.series[name].t.length > 1) found.push([`${system}/${name}`, title(system, name)]);
    }
  }
  return found.sort((a, b) => a[1].localeCompare(b[1]));
}

function title(system, name) {
  const its = job.systems[system];
  const item = its.worklist && its.worklist.items.find((each) => each.id === name);
  const words = item ? item.title : name.replace(/_/g, " ");
  return Object.keys(job.systems).length > 1 ? `${system}: ${words}` : words;
}

export function showPlot(section, select, holder, words) {
  const found = options();
  section.hidden = !found.length;
  choices(select, found);
  if (section.hidden || !select.value) return;
  const [system, name] = [select.value.slice(0, select.value.indexOf("/")), select.value.slice(select.value.indexOf("/") + 1)];
  const line = job.systems[system].series[name];
  if (!line) return;
  const width = Math.max(240, Math.min(holder.clientWidth || 320, 800));
  if (shown !== select.value || !plot) {
    if (plot) plot.destroy();
    shown = select.value;
    const style = getComputedStyle(document.documentElement);
    const ink = style.getPropertyValue("--ink").trim();
    const mark = style.getPropertyValue("--mark").trim();
    const rule = style.getPropertyValue("--rule").trim();
    const axis = { stroke: ink, grid: { stroke: rule, width: 0.5 }, ticks: { stroke: rule } };
    plot = new uPlot({
      width, height: 240, legend: { show: true }, cursor: { drag: { x: true, y: false } },
      scales: { x: { time: true } }, axes: [axis, { ...axis, label: line.unit }],
      series: [{ label: t("time") }, { label: title(system, name), stroke: mark, width: 2, spanGaps: false }],
      hooks: { drawClear: [(each) => shade(each, system, name, mark)] },
    }, [line.t, line.v], holder);
  } else {
    if (plot.width !== width) plot.setSize({ width, height: 240 });
    plot.setData([line.t, line.v]);
  }
  say(words, spoken(line, windows(system, name).length));
}

// The same in words: what a plot says to who cannot see it.
function spoken(line, spans) {
  const values = line.v.filter((value) => value !== null);
  if (!values.length) return t("no values yet");
  return t("{n} values from {low} to {high} {unit}, now {now}; settled {spans} times", {
    n: values.length, low: Math.min(...values), high: Math.max(...values), unit: line.unit, now: values[values.length - 1], spans,
  });
}

function windows(system, name) {
  const found = [];
  for (const [key, told] of Object.entries(job.systems[system].settled)) {
    if (told.settled && key.endsWith(`/${name}`)) found.push([told.t - (told.window_s || 0), told.t]);
  }
  return found;
}

function shade(each, system, name, mark) {
  const { ctx, bbox } = each;
  ctx.save();
  ctx.globalAlpha = 0.2;
  ctx.fillStyle = mark;
  for (const [from, to] of windows(system, name)) {
    const left = Math.max(bbox.left, each.valToPos(from, "x", true));
    const right = Math.min(bbox.left + bbox.width, each.valToPos(to, "x", true));
    if (right > left) ctx.fillRect(left, bbox.top, right - left, bbox.height);
  }
  ctx.restore();
}
