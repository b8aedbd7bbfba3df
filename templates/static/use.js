// The use page: files are sent with progress and can be stopped; a segment shows its evidence.
"use strict";
import { all, csrf, made, one } from "./net.js";
import { showMap } from "./map.js";

const TICKETS = { "loads.csv": "loads", "returns.csv": "returns" };
const drop = one("#drop"), sends = one("#sends");

function addressOf(name) {
  const lower = name.toLowerCase();
  if (lower === "deliveries.csv") return "/tickets/deliveries";
  return TICKETS[lower] ? `${drop.dataset.address}/tickets/${TICKETS[lower]}` : `${drop.dataset.address}/telemetry/${encodeURIComponent(name)}`;
}

function words(told, status) {
  if (status >= 400) return [told.error ?? `The server answered ${status}.`, ...(told.problems ?? []).slice(0, 6).map((p) => `${p.row ? `row ${p.row}, ` : ""}${p.column}: ${p.what}; ${p.remedy}`)].join(" ");
  if (told.already_there === true) return "is there already";
  if ("added" in told) return `${told.added} rows added, ${told.already_there} there already`;
  return ["is in", ...(told.cautions ?? [])].join("; ");
}

/** Send one file; resolves when it is in, refused or stopped. */
function send(file) {
  const row = made("li"), text = made("span", `${file.name}: sending`), bar = made("progress", "", { max: 1, value: 0, "aria-label": `Sending ${file.name}` });
  const stop = made("button", "Stop", { type: "button", class: "slim", "aria-label": `Stop sending ${file.name}` });
  row.append(text, stop, bar);
  sends.append(row);
  return new Promise((done) => {
    const request = new XMLHttpRequest();
    const over = (said, fault) => { text.textContent = `${file.name}: ${said}`; text.className = fault ? "fault" : ""; bar.remove(); stop.remove(); done(!fault); };
    request.open("PUT", addressOf(file.name));
    request.setRequestHeader("x-csrf-token", csrf());
    request.setRequestHeader("accept", "application/json");
    request.upload.onprogress = (event) => { if (event.lengthComputable) bar.value = event.loaded / event.total; };
    request.upload.onload = () => { text.textContent = `${file.name}: being checked`; bar.removeAttribute("value"); };
    request.onload = () => {
      let told = {};
      try { told = JSON.parse(request.responseText); } catch { /* not ours */ }
      over(words(told, request.status), request.status >= 400);
    };
    request.onerror = () => over("the connection broke; send it again", true);
    request.onabort = () => over("stopped; nothing of it was kept", true);
    stop.addEventListener("click", () => request.abort());
    request.send(file);
  });
}

async function sendAll(files) {
  let all_in = files.length > 0;
  for (const file of files) all_in = (await send(file)) && all_in;
  if (all_in) setTimeout(() => location.reload(), 1200);
}

if (drop) {
  one("#files").addEventListener("change", (event) => sendAll([...event.target.files]));
  for (const name of ["dragover", "dragenter"]) drop.addEventListener(name, (event) => { event.preventDefault(); drop.classList.add("over"); });
  drop.addEventListener("dragleave", () => drop.classList.remove("over"));
  drop.addEventListener("drop", (event) => { event.preventDefault(); drop.classList.remove("over"); sendAll([...event.dataTransfer.files]); });
}

async function show(behind) {
  const answer = await fetch(`${one("#map").dataset.segment}?${behind}`);
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  one("#segment").replaceChildren(...page.body.childNodes);
}

if (one("#map")) {
  showMap(one("#map"), { query: () => "", picked: (properties) => show(`i=${properties.i}`) });
  for (const button of all("[data-pick]")) {
    button.addEventListener("click", async () => { await show(`i=${button.dataset.pick}`); one("#segment").scrollIntoView({ block: "center" }); });
  }
}
