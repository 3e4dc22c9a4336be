// Making and renewing elements so that focus, open details and what is being typed stay as they are.
export function make(tag, given = {}, ...children) {
  const element = document.createElement(tag);
  for (const [name, value] of Object.entries(given)) {
    if (name.startsWith("on")) element.addEventListener(name.slice(2), value);
    else if (name === "class") element.className = value;
    else if (value !== undefined && value !== false) element.setAttribute(name, value === true ? "" : value);
  }
  element.append(...children.filter((child) => child !== undefined && child !== null && child !== ""));
  return element;
}

export function say(element, text) {
  if (element.textContent !== text) element.textContent = text;
}

// Keep one child for each item, by key, in order; `build` makes one, `renew` brings one up to date.
export function keyed(parent, items, key, build, renew) {
  const old = new Map([...parent.children].map((child) => [child.dataset.key, child]));
  let before = parent.firstElementChild;
  for (const item of items) {
    const id = key(item);
    let child = old.get(id);
    if (child) old.delete(id);
    else {
      child = build(item);
      child.dataset.key = id;
    }
    if (child === before) before = before.nextElementSibling;
    else parent.insertBefore(child, before);
    renew(child, item);
  }
  for (const gone of old.values()) gone.remove();
}

// A list of choices that is only rebuilt when it changed, so that what is chosen stays chosen.
export function choices(select, options) {
  const wanted = JSON.stringify(options);
  if (select.dataset.options === wanted) return;
  const chosen = select.value;
  select.dataset.options = wanted;
  select.replaceChildren(...options.map(([value, text]) => make("option", { value }, text)));
  if (options.some(([value]) => value === chosen)) select.value = chosen;
}
