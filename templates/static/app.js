// On every page: send what waits, and tell when the files have changed behind an open page.
"use strict";
import { all, getJson, made, one } from "./net.js";

const LOOK_MS = 20000;
const page = document.documentElement;

async function look() {
  if (document.hidden) return;
  const told = await getJson("/state").catch(() => null);
  if (!told || told.state === page.dataset.state || document.getElementById("changed")) return;
  const notice = made("section", "", { id: "changed", class: "notice", role: "status" });
  const again = made("button", "Load again", { type: "button", class: "slim" });
  again.addEventListener("click", () => location.reload());
  notice.append(made("p", "The files have changed since this page was opened."), again);
  one("main").prepend(notice);
}

if (page.dataset.state) setInterval(look, LOOK_MS);

// a form that only picks something to look at needs no button where there are scripts
for (const form of all("form[data-go]")) {
  form.addEventListener("change", () => form.requestSubmit());
  one("button", form)?.setAttribute("hidden", "");
}
for (const button of all("[data-print]")) button.addEventListener("click", () => window.print());

if (!document.getElementById("test-form")) import("./queue.js").then((queue) => queue.keepSending());
if (one("[data-job]")) import("./jobs.js").then((jobs) => jobs.watchAll());
