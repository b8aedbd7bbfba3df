// Long work: start it, show how far it is, stop it.
"use strict";
import { all, getJson, made, one, postForm } from "./net.js";

const STATES = { waiting: "waiting for its turn", running: "at work", done: "done", failed: "not done", stopped: "stopped" };
const LOOK_MS = 700;

function shown(place, job) {
  const bar = one("progress", place), text = one("[data-text]", place), stop = one("[data-stop]", place);
  place.hidden = false;
  bar.hidden = !["waiting", "running"].includes(job.state);
  bar.value = job.share;
  text.textContent = `${STATES[job.state]}${bar.hidden ? "" : `: ${job.stage || "starting"}, ${Math.round(100 * job.share)} %`}`;
  stop.hidden = bar.hidden;
  const said = one("[data-said]", place);
  said.replaceChildren(
    ...job.problems.map((p) => made("p", `${p.file}${p.row ? `, row ${p.row}` : ""}: ${p.what}; ${p.remedy}`, { class: "fault" })),
    ...(job.state === "failed" && !job.problems.length ? job.said.slice(-3).map((line) => made("p", line)) : []),
  );
}

async function watch(place, number) {
  one("[data-stop]", place).onclick = () => postForm(`/jobs/${number}/stop`, {});
  for (;;) {
    const job = await getJson(`/jobs/${number}`).catch(() => null);
    if (job) shown(place, job);
    if (job && ["done", "failed", "stopped"].includes(job.state)) {
      if (job.state === "done" && place.dataset.then) location.assign(place.dataset.then);
      return;
    }
    await new Promise((go) => setTimeout(go, LOOK_MS));
  }
}

export function watchAll() {
  for (const form of all("form[data-job]")) {
    const place = document.getElementById(form.dataset.job);
    form.addEventListener("submit", async (event) => {
      event.preventDefault();
      const button = one("button", form);
      button.disabled = true;
      try {
        const job = await postForm("/jobs", Object.fromEntries(new FormData(form)));
        await watch(place, job.number);
      } catch (error) {
        place.hidden = false;
        one("[data-text]", place).textContent = error.message;
      }
      button.disabled = false;
    });
  }
}
