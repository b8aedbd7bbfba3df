// The page of a storm that runs: the form shows what belongs to what happened, and keeps the time.
"use strict";
import { all, one } from "./net.js";

const MINUTE_MS = 60000;
const form = one("#happened");

function fit() {
  const what = one("[name=what]", form).value;
  for (const place of all("[data-for]", form)) {
    const mine = place.dataset.for.split(" ").includes(what);
    place.hidden = !mine;
    for (const field of all("input, select", place)) field.disabled = !mine;
  }
}

if (form) {
  one("[name=what]", form).addEventListener("change", fit);
  fit();
  const time = one("[data-present]", form);
  if (time) {
    // the server's present, kept going until somebody sets another time
    const opened = Date.now(), start = Date.parse(`${time.value}:00Z`);
    const going = setInterval(() => {
      time.value = new Date(start + Date.now() - opened).toISOString().slice(0, 16);
    }, MINUTE_MS);
    time.addEventListener("input", () => clearInterval(going));
  }
}
