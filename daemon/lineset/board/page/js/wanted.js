// What the shop is asked for at this moment, each with a button that takes it back; and what was seen, as a list.
import { keyed, make, say } from "./dom.js";
import { t } from "./words.js";

const WANT_WORD = { part: "a part is wanted", approval: "the customer's approval is wanted", return_visit: "a return visit is to be booked" };
const wantWords = (wants) => (wants || []).map((want) => t(WANT_WORD[want] || want));

// `order` asks the station; a hand's place goes to the heading when the button that it pressed is gone.
export function showWanted(section, visit, seen, order) {
  const wanted = visit.wanted || [];
  section.hidden = !wanted.length;
  keyed(section.querySelector("ul"), wanted, (want) => String(want.seq), (want) => {
    const take = async (event) => {
      const button = event.currentTarget;
      button.disabled = true;
      if (await order("observe", { system: want.system, withdraws: want.seq })) section.querySelector("h3").focus();
      else button.disabled = false;
    };
    return make("li", { class: "row" }, make("span"), make("button", { type: "button", class: "plain", onclick: take }, t("No longer wanted")));
  }, (item, want) => {
    const told = seen[want.seq] || {};
    const what = want.title ? t(want.title) : told.text || (want.about || "").replace(/_/g, " ");
    const words = [what, ...wantWords(want.wants)].filter(Boolean).join("; ");
    say(item.firstElementChild, words);
    item.lastElementChild.setAttribute("aria-label", `${t("No longer wanted")}: ${words}`);
  });
}

export function showObserved(list, seen) {
  const rows = Object.entries(seen).sort((a, b) => Number(a[0]) - Number(b[0]));
  const back = new Set(rows.map(([, told]) => told.withdraws).filter(Boolean).map(String));
  keyed(list, rows, ([n]) => n, () => make("li"), (element, [n, told]) => say(element, [
    told.withdraws ? t("no longer wanted") : "", told.title, told.text, told.photo ? t("with a photo") : "",
    ...(back.has(n) ? [t("taken back since")] : wantWords(told.wants)),
  ].filter(Boolean).join("; ")));
}
