// Questions to the shop's API.
import { t } from "../shared/words.js";

let where = "api/v1";
let token = "";

export function askWith(session, given) {
  where = session.api || where;
  token = given;
}

export function headers() {
  return token ? { Authorization: `Bearer ${token}` } : {};
}

// The answer, or throws an Error whose message says what is wrong and what to do.
export async function ask(path, parameters = {}) {
  const query = new URLSearchParams(Object.entries(parameters).filter(([, value]) => value !== "" && value !== null && value !== undefined));
  let reply;
  try {
    reply = await fetch(`${where}${path}${query.size ? `?${query}` : ""}`, { headers: headers() });
  } catch {
    throw new Error(t("The shop's computer cannot be reached."));
  }
  if (reply.ok) return reply.json();
  let problem = {};
  try { problem = await reply.json(); } catch { /* not one of our own answers */ }
  const error = new Error(problem.what ? `${t(problem.what)}: ${t(problem.remedy)}` : t("The answer was {status}.", { status: reply.status }));
  error.status = reply.status;
  throw error;
}

// All pages of a list, `name` of each, up to a bound.
export async function askAll(path, parameters, name, most = 1000) {
  const found = [];
  let cursor = "";
  do {
    const page = await ask(path, { ...parameters, cursor });
    found.push(...page[name]);
    cursor = page.next || "";
  } while (cursor && found.length < most);
  return found;
}

export const address = (path) => `${where}${path}`;
