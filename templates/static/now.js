// The page of a storm that runs: the form shows what belongs to what happened, and keeps the time.
"use strict";
import { all, getJson, one } from "./net.js";

const MINUTE_MS = 60000, LOOK_MS = 700;
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

/** Look how far the answer is; then put it in place of the bar, without loading what somebody types. */
async function watch() {
  const place = one("#answer");
  if (!place) return;
  for (;;) {
    const told = await getJson(place.dataset.watch).catch(() => null);
    if (told && told.state !== "running") break;
    if (told) {
      one("[data-text]", place).textContent = `at work: ${told.stage || "starting"}`;
      if (told.share) one("progress", place).value = told.share;
    }
    await new Promise((go) => setTimeout(go, LOOK_MS));
  }
  const answer = await fetch(location.href, { headers: { accept: "text/html" } });
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  one("#part-ask").replaceWith(document.adoptNode(page.getElementById("part-ask")));
  one("#ask").focus();
  once();
}

// a second press of the button would make a second issue
function once() {
  for (const place of all("form[data-once]")) {
    place.addEventListener("submit", () => { one("button", place).disabled = true; });
  }
}

once();
watch();
