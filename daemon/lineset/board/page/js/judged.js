// What the readings say: verdicts and findings of this phase, the reasoning one step away.
import { keyed, make, say } from "./dom.js";
import { job } from "./job.js";
import { t } from "./words.js";

const STATE = {
  pass: "✓ within", fail: "! outside", undecided: "? cannot be decided", not_applicable: "– cannot be checked here", advisory: "i advice only",
};
const ORDER = ["finding", "fail", "undecided", "advisory", "pass", "not_applicable"];

export function showJudged(section, list) {
  const lines = [];
  for (const [system, its] of Object.entries(job.systems)) {
    for (const finding of Object.values(its.findings)) {
      if (finding.state === "open") lines.push({ key: `${system}/f/${finding.phase}/${finding.id}`, system, sort: "finding", told: finding });
    }
    for (const check of Object.values(its.checks)) lines.push({ key: `${system}/c/${check.phase}/${check.name}`, system, sort: check.state, told: check });
  }
  const phases = ["at_rest", "before", "work", "drying", "after"];
  lines.sort((a, b) => phases.indexOf(b.told.phase) - phases.indexOf(a.told.phase)
    || ORDER.indexOf(a.sort) - ORDER.indexOf(b.sort) || (a.told.rank || 0) - (b.told.rank || 0) || a.key.localeCompare(b.key));
  section.hidden = !lines.length;
  keyed(list, lines, (line) => line.key, build, renew);
}

function build() {
  return make("details", {}, make("summary"), make("p", { class: "caution", hidden: true }), make("ul", { "data-part": "points" }));
}

function renew(element, line) {
  const { told, sort, system } = line;
  const many = Object.keys(job.systems).length > 1 ? `${system}, ` : "";
  const where = `${many}${t(told.phase.replace("_", " "))}`;
  const head = sort === "finding"
    ? t("{title} ({where}): {confidence}", { title: t(told.title), where, confidence: t(told.confidence || "possible") })
    : t("{title} ({where}): {state}", { title: t(told.title), where, state: t(STATE[sort] || sort) });
  say(element.querySelector("summary"), told.text ? `${head}, ${told.text}` : head);
  const caution = element.querySelector(".caution");
  caution.hidden = !told.caution;
  say(caution, t(told.caution || ""));
  const points = sort === "finding" ? findingPoints(told) : checkPoints(told);
  keyed(element.querySelector("[data-part=points]"), points.map((text, at) => ({ text, at })), (point) => String(point.at),
    () => make("li"), (item, point) => say(item, point.text));
}

function findingPoints(told) {
  return [
    told.meaning && t("Meaning: {text}", { text: t(told.meaning) }),
    ...(told.evidence || []).map((text) => t("For it: {text}", { text })),
    ...(told.against || []).map((text) => t("Against it: {text}", { text })),
    told.next_step && t("Next: {text}", { text: t(told.next_step) }),
    told.basis && t("Held against: {text}", { text: t(told.basis) }),
  ].filter(Boolean);
}

function checkPoints(told) {
  return [
    told.reason && t(told.reason),
    told.target_text && t("Target: {text}", { text: told.target_text }),
    told.probability !== undefined && t("Probability that it conforms: {p} %", { p: Math.round(told.probability * 100) }),
    ...(told.unmet || []).map((text) => t("Not met: {text}", { text: t(text) })),
    ...(told.assumed || []).map((text) => t("Assumed: {text}", { text: t(text) })),
    ...(told.proved || []).map((text) => t("Proved: {text}", { text })),
    told.would_decide && t("Would decide it: {text}", { text: t(told.would_decide) }),
    told.source && t("Limit from: {text}", { text: told.source }),
    told.rule && t("Decided by: {text}", { text: t(told.rule.replace(/_/g, " ")) }),
  ].filter(Boolean);
}
