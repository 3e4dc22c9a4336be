// Words of the page: the English sentence is the key; another language comes with the session, from one catalogue.
let known = {};

export function learn(words, language) {
  known = words || {};
  document.documentElement.lang = language || "en";
  for (const element of document.querySelectorAll("[data-t]")) {
    element.dataset.en ||= element.textContent;
    element.textContent = t(element.dataset.en);
  }
  for (const element of document.querySelectorAll("[data-l]")) {
    element.dataset.en ||= element.getAttribute("aria-label");
    element.setAttribute("aria-label", t(element.dataset.en));
  }
}

// t("{n} minutes left", {n: 5})
export function t(sentence, fill = {}) {
  return (known[sentence] || sentence).replace(/\{(\w+)\}/g, (whole, name) => (name in fill ? fill[name] : whole));
}
