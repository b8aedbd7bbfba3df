// Talking to the server, and small helpers that every script uses.
"use strict";

let token = document.querySelector('meta[name="csrf"]')?.content ?? "";

/** An answer that is not a success, with the problems that the server named. */
export class Refused extends Error {
  constructor(status, data) {
    super(data.error || `The server answered ${status}.`);
    this.status = status;
    this.problems = data.problems || [];
  }
}

async function freshToken() {
  const page = new DOMParser().parseFromString(await (await fetch("/")).text(), "text/html");
  token = page.querySelector('meta[name="csrf"]')?.content ?? token;
}

/** POST JSON. A token that is out of date (the server was started again) is renewed once. */
export async function post(address, data, signal) {
  for (const again of [true, false]) {
    const answer = await fetch(address, {
      method: "POST", signal, body: JSON.stringify(data),
      headers: { "content-type": "application/json", accept: "application/json", "x-csrf-token": token },
    });
    if (answer.status === 403 && again) { await freshToken(); continue; }
    const told = await answer.json().catch(() => ({}));
    if (!answer.ok) throw new Refused(answer.status, told);
    return told;
  }
}

/** POST a form and get JSON back. */
export async function postForm(address, fields) {
  const answer = await fetch(address, {
    method: "POST", body: new URLSearchParams({ ...fields, csrf: token }), headers: { accept: "application/json" },
  });
  const told = await answer.json().catch(() => ({}));
  if (!answer.ok) throw new Refused(answer.status, told);
  return told;
}

export async function getJson(address, signal) {
  const answer = await fetch(address, { headers: { accept: "application/json" }, signal });
  if (!answer.ok) throw new Refused(answer.status, await answer.json().catch(() => ({})));
  return answer.json();
}

export const csrf = () => token;
export const one = (selector, within = document) => within.querySelector(selector);
export const all = (selector, within = document) => [...within.querySelectorAll(selector)];

/** An element with text; text is never read as HTML. */
export function made(tag, text = "", attributes = {}) {
  const element = document.createElement(tag);
  element.textContent = text;
  for (const [name, value] of Object.entries(attributes)) element.setAttribute(name, value);
  return element;
}

/** What this browser keeps; a browser that keeps nothing still works. */
export const kept = {
  get(name, otherwise) {
    try { return JSON.parse(localStorage.getItem(name)) ?? otherwise; } catch { return otherwise; }
  },
  set(name, value) {
    try { localStorage.setItem(name, JSON.stringify(value)); return true; } catch { return false; }
  },
  drop(name) { try { localStorage.removeItem(name); } catch { /* nothing was kept */ } },
};
