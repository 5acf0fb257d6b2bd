// The lab's HTTP interface: JSON in, JSON out, and every refusal as the sentence it came with.

const BASE = "/api/v1/";

export class Refusal extends Error {
  constructor(status, text) {
    super(text);
    this.status = status;
  }
}

async function call(method, path, body) {
  let answer;
  try {
    answer = await fetch(BASE + path, {
      method,
      headers: body === undefined ? {} : { "Content-Type": "application/json" },
      body: body === undefined ? undefined : JSON.stringify(body),
      credentials: "same-origin",
    });
  } catch {
    throw new Refusal(0, "The lab does not answer; check that its program still runs.");
  }
  if (answer.status === 204) return null;
  const type = answer.headers.get("Content-Type") ?? "";
  const said = type.startsWith("application/json") ? await answer.json() : await answer.text();
  if (!answer.ok) {
    if (answer.status === 401) document.dispatchEvent(new CustomEvent("locked-out"));
    throw new Refusal(answer.status, said.detail ?? `The lab answers with status ${answer.status}.`);
  }
  return said;
}

export const ask = (path, query) => call("GET", withQuery(path, query));
export const send = (path, body = {}) => call("POST", path, body);
export const change = (path, body) => call("PATCH", path, body);
export const remove = (path) => call("DELETE", path);
export const addressOf = (path, query) => BASE + withQuery(path, query);

function withQuery(path, query = {}) {
  const kept = Object.entries(query).filter(([, value]) => value !== null && value !== undefined && value !== "");
  return kept.length ? `${path}?${new URLSearchParams(kept.flatMap(([name, value]) => [].concat(value).map((one) => [name, one])))}` : path;
}
