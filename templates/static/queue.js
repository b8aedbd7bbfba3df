// Records that are saved but not sent yet: kept in the browser, sent again until the server has them.
"use strict";
import { kept, made, post, Refused } from "./net.js";

const NAME = "spreadplan waiting";
const AGAIN_MS = 8000;
let sending = false;

/** Put a record into the queue. False where this browser keeps nothing. */
export function enqueue(record) {
  return kept.set(NAME, [...kept.get(NAME, []).filter((other) => other.key !== record.key), record]);
}

export function forget(key) { kept.set(NAME, kept.get(NAME, []).filter((record) => record.key !== key)); }

const records = () => kept.get(NAME, []);
export const waiting = () => records().filter((record) => !record.refused);
/** Records that the server refused: they stay until someone puts them right. */
export const refused = () => records().filter((record) => record.refused);

/** Send what waits. ``done(record, answer, error, final)`` hears of each; error is null for a success, final says that
 * the server refused it. */
export async function send(done = () => {}) {
  if (sending) return;
  sending = true;
  try {
    for (const record of waiting()) {
      try {
        const answer = await post(record.address, record.data);
        forget(record.key);
        done(record, answer, null);
      } catch (error) {
        // what the server refused will not get better by sending it again
        const final = error instanceof Refused && [400, 404, 409, 413, 422].includes(error.status);
        if (final) enqueue({ ...record, refused: { text: error.message, problems: error.problems } });
        done(record, null, error, final);
      }
    }
  } finally {
    sending = false;
    show();
  }
}

function show() {
  let box = document.getElementById("kept");
  const count = waiting().length, back = refused();
  if (!count && !back.length) { box?.remove(); return; }
  if (!box) {
    box = made("div", "", { id: "kept", class: "kept", role: "status" });
    document.body.append(box);
  }
  const text = !count ? `A test of ${back[0].truck} was refused: open the form of that truck to put it right.` : `${count === 1 ? "1 test is" : `${count} tests are`} kept on this device and will be sent when the connection is back.`;
  if (box.textContent !== text) box.textContent = text;
}

/** Try again now and then, and as soon as the connection is back. */
export function keepSending(done) {
  show();
  const go = () => { if (waiting().length) send(done); };
  window.addEventListener("online", go);
  setInterval(go, AGAIN_MS);
  go();
}
