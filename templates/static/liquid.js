// The form for a test of a liquid circuit. What is typed is kept in the browser at once; what is saved is sent until it has arrived.
"use strict";
import { asText, local, lookAgain, momentIn, plain, testName } from "./forms.js";
import { all, kept, made, one, post } from "./net.js";
import { enqueue, forget, keepSending, refused, send } from "./queue.js";

const form = one("#test-form");
const { truck, address, units, flow: flowUnit, volume, shown: volumeShown } = form.dataset;
const DRAFT = `spreadplan liquid test ${truck}`;
const TESTER = "spreadplan tester";
const MOST_NOZZLES = 60;
const WAIT_MS = 350;

/** Everything typed so far, the units it was typed in, and the stopwatch where it runs. */
const blank = { fields: {}, started: null, units: null, sure: "" };
let draft = { ...blank, ...kept.get(DRAFT, {}) };
const fields = () => all("input[name]", form);
const typed = (name) => plain(form.elements[name]?.value ?? "");
const caughtFields = () => all("#catches input", form);

const begun = () => draft.started !== null || caughtFields().some((field) => field.value)
  || ["setting", "duration_s", "division"].some((name) => draft.fields[name]);

/** What was read off a container stays as it was read: a test is finished in the units it was begun in. */
function inItsUnits() {
  const shownIn = new URLSearchParams(location.search).get("units"), wanted = begun() ? draft.units ?? units : null;
  if (wanted && wanted !== units && shownIn !== wanted) location.replace(`?units=${wanted}`);
  else if (!wanted && shownIn) location.replace(location.pathname);
}

/** As many fields as nozzles; one for all together where none is caught on its own. */
function layCatches() {
  const count = Math.min(Math.max(Math.trunc(Number(typed("count"))) || 0, 0), MOST_NOZZLES);
  const wanted = count === 0 ? ["all"] : Array.from({ length: count }, (_, place) => String(place + 1));
  const have = caughtFields().map((field) => field.dataset.nozzle);
  if (wanted.join() === have.join()) return;
  one("#catches").replaceChildren(...wanted.map((nozzle) => {
    const name = nozzle === "all" ? "All together" : `Nozzle ${nozzle}`;
    const label = made("label", `${name} `), box = made("span", "", { class: "with-unit" });
    const field = made("input", "", { name: `caught_${nozzle}`, inputmode: "decimal", autocomplete: "off" });
    field.dataset.nozzle = nozzle;
    field.value = draft.fields[field.name] ?? "";
    box.append(field, made("span", volumeShown));
    label.append(box);
    return label;
  }));
}

function remember() {
  draft.units = units;
  for (const field of fields()) {
    if (field.type === "radio") { if (field.checked) draft.fields[field.name] = field.value; }
    else draft.fields[field.name] = field.type === "checkbox" ? field.checked : field.value;
  }
  kept.set(DRAFT, draft);
}

function restore() {
  for (const field of fields()) {
    const value = draft.fields[field.name];
    if (value === undefined) continue;
    if (field.type === "radio") field.checked = field.value === value;
    else if (field.type === "checkbox") field.checked = value;
    else field.value = value;
  }
  layCatches();
}

// --- stopwatch: it goes by the clock, so that a reload in the middle of a run does no harm ---

function tick() {
  const seconds = draft.started ? (Date.now() - draft.started) / 1000 : Number(typed("duration_s")) || 0;
  one("#clock span").textContent = seconds.toFixed(1);
  one("#start").textContent = draft.started ? "Stop" : "Start";
  one("#start").className = draft.started ? "stop" : "main";
  if (draft.started) requestAnimationFrame(tick);
}

one("#start").addEventListener("click", () => {
  if (draft.started) {
    form.elements.duration_s.value = ((Date.now() - draft.started) / 1000).toFixed(1);
    draft.started = null;
  } else {
    draft.started = Date.now();
    form.elements.performed_at.value = local(new Date()).slice(0, 16);
  }
  changed();
  tick();
});

// Enter, or the key of a phone that stands in its place, never saves: it goes on to the next field
form.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || !(field instanceof HTMLInputElement) || ["checkbox", "radio"].includes(field.type)) return;
  event.preventDefault();
  const typing = fields().filter((other) => !["checkbox", "radio"].includes(other.type));
  typing[typing.indexOf(field) + 1]?.focus();
});

// --- what it gives so far ---

const moment = () => momentIn(form.elements.performed_at);

let asked = [];
const looked = () => asked.length > 0 && draft.sure === asText(asked);

function data() {
  const division = typed("division");
  const test = {
    material: form.elements.material?.value ?? "", circuit: form.elements.circuit.value, performed_at: moment(),
    performed_by: form.elements.performed_by.value.trim(), duration_s: typed("duration_s"), [`setting_${flowUnit}`]: typed("setting"),
  };
  const catches = caughtFields().filter((field) => field.value.trim() !== "").map((field) => ({
    nozzle: field.dataset.nozzle === "all" ? "" : field.dataset.nozzle, [`volume_${volume}`]: plain(field.value),
    ...(division ? { [`scale_division_${volume}`]: division } : {}),
  }));
  return { test, catches, units, sure: looked() ? asked.map((question) => question.code) : [] };
}

let timer = null, waitingFor = null;

async function ask() {
  const sent = data();
  if (!sent.catches.length || !sent.test.duration_s || !typed("setting")) return shown(null);
  waitingFor?.abort();
  waitingFor = new AbortController();
  try {
    shown(await post(`${address}/liquids/try`, sent, waitingFor.signal));
  } catch (error) {
    if (error.name === "AbortError") return;
    asked = []; // the server asks again when the test arrives
    one("#result").replaceChildren(made("p", error.status
      ? error.message : "No connection: the flow will be shown when it is back. What you typed is kept on this device.", { class: "box warn" }));
  }
}

function shown(told) {
  for (const name of ["caught", "flow", "ratio"]) one(`#${name}`).textContent = told?.ready ? told[name] : "–";
  mark(told?.problems ?? []);
  asked = told?.questions ?? [];
  if (asked.length) one("#ratio").textContent = `${told.ratio}, look again`;
  if (!told?.ready) {
    one("#result").replaceChildren(made("p", "The flow appears here when setting, run time and volume are in.", { class: "muted" }));
    return;
  }
  const list = made("dl", "", { class: "facts" });
  for (const [name, value] of [["Caught", told.caught], ["Flow", told.flow], ["Measured over set", told.ratio]]) list.append(made("dt", name), made("dd", value));
  for (const nozzle of told.nozzles) list.append(made("dt", `Nozzle ${nozzle.name}`), made("dd", `${nozzle.flow}, ${nozzle.verdict}`));
  const unsound = told.nozzles.filter((nozzle) => !nozzle.sound).map((nozzle) => nozzle.name);
  one("#result").replaceChildren(
    list, made("p", "± is the standard uncertainty.", { class: "small muted" }),
    ...(unsound.length ? [made("p", `Clean or change nozzle ${unsound.join(", ")}, and run again.`, { class: "box bad" })] : []),
    ...told.warnings.map((text) => made("p", text, { class: "box warn" })),
    ...(told.reason ? [made("p", `Would not count: ${told.reason}`, { class: "box bad" })] : []),
    ...lookAgain(asked, looked(), (sure) => { draft.sure = sure; kept.set(DRAFT, draft); }),
  );
}

/** Problems beside their fields, and all of them in the list above the button. */
function mark(problems) {
  for (const field of fields()) { field.removeAttribute("aria-invalid"); field.removeAttribute("aria-describedby"); }
  one("#faults").replaceChildren(...problems.map((problem, place) => {
    const column = (problem.column || "*").replace(`_${flowUnit}`, "").replace(`_${volume}`, "");
    const field = problem.file === "catches.csv" && column === "volume" ? caughtFields()[problem.row - 1] : form.elements[column === "scale_division" ? "division" : column];
    const label = field?.closest?.("label")?.firstChild?.textContent?.trim();
    if (field instanceof HTMLElement) { field.setAttribute("aria-invalid", "true"); field.setAttribute("aria-describedby", `fault-${place}`); }
    return made("li", `${label || column}: ${problem.text}`, { id: `fault-${place}` });
  }));
}

function changed() {
  layCatches();
  if (!form.elements.performed_at.value && typed("duration_s")) form.elements.performed_at.value = local(new Date()).slice(0, 16);
  remember();
  clearTimeout(timer);
  timer = setTimeout(ask, WAIT_MS);
}

// --- saving ---

function afresh(keep) {
  const stays = keep ? ["material", "circuit", "division", "count", "safe", "performed_by"] : ["performed_by"];
  draft = { ...blank, fields: Object.fromEntries(stays.map((name) => [name, draft.fields[name]]).filter(([, value]) => value !== undefined)) };
  form.reset();
  one("#catches").replaceChildren();
  restore();
  changed();
  shown(null);
  tick();
}

/** A test that was refused goes back into the form, at once if nothing else is in it. */
function takeBack(record) {
  const back = () => {
    draft = { ...blank, ...record.draft };
    kept.set(DRAFT, draft);
    forget(record.key);
    inItsUnits();
    form.reset();
    restore();
    tick();
    ask().then(() => mark(record.refused.problems));
    one("#saved").replaceChildren(made("p", `${record.refused.text} It is back in the form.`, { class: "box bad" }));
  };
  if (!begun()) return back();
  const box = made("div", "", { class: "box bad" }), button = made("button", "Bring it back into the form", { type: "button" });
  box.append(made("p", `${record.refused.text} It is kept on this device; finish this run first.`), button);
  button.addEventListener("click", back);
  one("#saved").replaceChildren(box);
}

const ours = (record) => record.truck === truck && record.address.endsWith("/liquids");

function heard(record, answer, error, final) {
  if (!ours(record)) return;
  const saved = one("#saved");
  if (!error) {
    const text = made("p", `Saved as ${answer.test_id}. Go on with the next run, or see `, { class: "box" });
    text.append(made("a", "the truck and its certificate", { href: address }), ".");
    saved.replaceChildren(text);
  } else if (final) {
    takeBack({ ...record, refused: { text: error.message, problems: error.problems } });
  } else {
    saved.replaceChildren(made("p", "No connection: the test is kept on this device and will be sent when it is back.", { class: "box warn" }));
  }
}

/** What keeps a test from being saved: the field, and in words. */
function missing() {
  const empty = caughtFields().find((field) => field.value.trim() === "");
  return !form.elements.safe.checked ? ["safe", "Confirm the cautions at the top first."]
    : draft.started ? ["duration_s", "The stopwatch still runs: stop it first."]
    : !typed("setting") ? ["setting", "The flow that was set is missing."]
    : !typed("duration_s") ? ["duration_s", "The run time is missing."]
    : empty ? [empty.name, `What was caught is missing: ${empty.closest("label").firstChild.textContent.trim()}. A dry nozzle gave 0.`]
    : null;
}

form.addEventListener("submit", async (event) => {
  event.preventDefault();
  const lacks = missing();
  if (lacks) {
    one("#faults").replaceChildren(made("li", lacks[1]));
    form.elements[lacks[0]].focus();
    return;
  }
  remember();
  clearTimeout(timer);
  one("#save").disabled = true;
  // while there is a connection, nothing is saved that was not looked at by the server
  try { await ask(); } finally { one("#save").disabled = false; }
  if (asked.length && !looked()) {
    one("#faults").replaceChildren(made("li", "Nothing is saved yet: look at this again first."));
    one("#look-again input").focus();
    return;
  }
  kept.set(TESTER, form.elements.performed_by.value.trim());
  const test_id = testName(truck, moment());
  const record = { key: test_id, truck, address: `${address}/liquids`, data: { test_id, ...data() }, draft: structuredClone(draft) };
  if (!enqueue(record)) {
    // a browser that keeps nothing: send it and say honestly if that fails
    try { heard(record, await post(record.address, record.data), null); afresh(true); } catch (error) { heard(record, null, error, Boolean(error.status)); }
    return;
  }
  afresh(true);
  one("#saved").replaceChildren(made("p", "Sending …", { class: "muted" }));
  await send(heard);
});

one("#clear").addEventListener("click", () => { if (confirm("Forget everything typed in this form?")) { afresh(false); one("#saved").replaceChildren(); inItsUnits(); } });
form.addEventListener("input", () => { changed(); if (!draft.started) tick(); });
window.addEventListener("online", ask);

restore();
layCatches();
restore();
inItsUnits();
if (!form.elements.performed_by.value) form.elements.performed_by.value = kept.get(TESTER, "") || form.dataset.who;
tick();
ask();
keepSending(heard);
for (const record of refused().filter(ours).slice(0, 1)) takeBack(record);
