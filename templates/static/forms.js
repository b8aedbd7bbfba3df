// What the forms of tests share.
"use strict";
import { made } from "./net.js";

/** A typed number in plain digits: a comma is what many phones offer for the decimal point; a count may be written with one too. */
export const plain = (text) => String(text).trim().replace(/^(\d+),(\d{1,2})$/, "$1.$2").replace(/,/g, "");

/** A moment by the clock of this device, with its offset. */
export const local = (moment) => {
  const two = (n) => String(Math.trunc(Math.abs(n))).padStart(2, "0");
  const away = -moment.getTimezoneOffset();
  return `${moment.getFullYear()}-${two(moment.getMonth() + 1)}-${two(moment.getDate())}T${two(moment.getHours())}:${two(moment.getMinutes())}:${two(moment.getSeconds())}`
    + `${away < 0 ? "-" : "+"}${two(away / 60)}:${two(away % 60)}`;
};

/** When a test was done, as its field says by the clock of this device; now where it says nothing. */
export function momentIn(field) {
  const at = new Date(field.value);
  return local(Number.isNaN(at.valueOf()) ? new Date() : at);
}

/** What does not fit, and the tick that it was looked at; nothing where nothing was asked. */
export function lookAgain(asked, looked, keep) {
  if (!asked.length) return [];
  const box = made("div", "", { class: "box bad", id: "look-again" }), label = made("label", "", { class: "tick" });
  const tick = made("input", "", { type: "checkbox" });
  tick.checked = looked;
  tick.addEventListener("change", () => keep(tick.checked ? asText(asked) : ""));
  label.append(tick, " I have looked at it again, and it is right");
  box.append(made("h3", "Look again"), ...asked.map((question) => made("p", question.text)), label);
  return [box];
}

/** All that was asked, as it is kept with the tick: another question needs another look. */
export const asText = (asked) => asked.map((question) => question.text).join(" ");

/** The name of a test: its truck, its time and a few letters that no other test has. */
export function testName(truck, moment) {
  const key = crypto.getRandomValues(new Uint32Array(1))[0].toString(36).slice(0, 4);
  return `${truck.replace(/[^A-Za-z0-9_.-]/g, "-").slice(0, 30)}-${moment.slice(0, 10)}-${moment.slice(11, 16).replace(":", "")}-${key}`;
}
