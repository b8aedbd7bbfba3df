// The discharge-test form. What is typed is kept in the browser at once; what is saved is sent until it has arrived.
"use strict";
import { asText, local, lookAgain, momentIn, plain, testName } from "./forms.js";
import { all, kept, made, one, post } from "./net.js";
import { enqueue, forget, keepSending, refused, send } from "./queue.js";

const form = one("#test-form");
const { truck, address, mass, units, gate: gateField } = form.dataset;
const closed = form.dataset.closed === "yes";
const DRAFT = `spreadplan test ${truck}`;
const TESTER = "spreadplan tester";
const OF_A_WEIGHT = ["gross", "tare", "count"];
const LABELS = {
  container: ["Full container", "Empty container"],
  vehicle_scale: ["Truck before the run", "Truck after the run"],
  direct: ["Everything, with what it is in", "What it is in, empty"],
};
const WAIT_MS = 350;

/** Everything typed so far, the units it was typed in, the weights, and the stopwatch where it runs. */
const blank = { fields: {}, weights: [], started: null, units: null, sure: "" };
let draft = { ...blank, ...kept.get(DRAFT, {}) };
const fields = () => all("input[name], select[name]", form);

const begun = () => draft.weights.length > 0 || draft.started !== null
  || ["gross", "tare", "division", "gate_in", "gate_mm", "duration_s"].some((name) => draft.fields[name]);
/** What was read off a scale stays as it was read: a test is finished in the units it was begun in. */
const begunIn = () => draft.units ?? ("gate_mm" in draft.fields ? "metric" : "gate_in" in draft.fields ? "us" : units);

function inItsUnits() {
  const shownIn = new URLSearchParams(location.search).get("units"), wanted = begun() ? begunIn() : null;
  if (wanted && wanted !== units && shownIn !== wanted) location.replace(`?units=${wanted}`);
  else if (!wanted && shownIn) location.replace(location.pathname);
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
}

const typed = (name) => {
  const field = form.elements[name];
  return field ? plain(field.value) : "";
};

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

// --- weights ---

/** The weight in the fields, which is not in the list yet, and what is wrong with it. */
function beingTyped() {
  const weight = { method: form.elements.method.value, gross: typed("gross"), tare: typed("tare"), count: typed("count") || "1" };
  const wrong = !(Number(weight.gross) > 0) ? "Type the full weight first."
    : weight.tare && !(Number(weight.tare) >= 0) ? "The empty weight is not a number."
    : Number(weight.tare) >= Number(weight.gross) ? "Empty weighs as much as full: one of them is wrong."
    : !(Number.isInteger(Number(weight.count)) && Number(weight.count) > 0) ? "How many alike is a whole number." : "";
  return { weight, wrong };
}

/** Every weight: those in the list, and the one that is being typed. */
function weights() {
  const { weight, wrong } = beingTyped();
  return wrong ? draft.weights : [...draft.weights, weight];
}

const net = () => weights().reduce((sum, w) => sum + (Number(w.gross) - Number(w.tare || 0)) * Number(w.count || 1), 0);

function showWeights() {
  const list = one("#weighed");
  list.replaceChildren(...draft.weights.map((w, place) => {
    const times = Number(w.count) > 1 ? `${w.count} × ` : "";
    const line = made("li", `${times}${w.gross} ${mass} full, ${w.tare || 0} ${mass} empty`);
    const out = made("button", "Out", { type: "button", "aria-label": `Take weight ${place + 1} out` });
    out.addEventListener("click", () => { draft.weights.splice(place, 1); changed(); one("#add").focus(); });
    line.append(out);
    return line;
  }));
  if (weights().length > draft.weights.length) list.append(made("li", "The weight being typed counts already.", { class: "muted" }));
  one("#net").textContent = `${Number(net().toFixed(2)).toLocaleString("en-US")} ${mass}`;
}

/** Put the weight that is being typed into the list; false where something is wrong with it. */
function addTyped() {
  const fault = one("#add-fault"), { weight, wrong } = beingTyped();
  fault.textContent = wrong;
  fault.hidden = !wrong;
  form.elements.gross.focus();
  if (wrong) return false;
  draft.weights.push(weight);
  // the next container is often the same one: its empty weight stays
  form.elements.gross.value = "";
  form.elements.count.value = "1";
  changed();
  return true;
}

one("#add").addEventListener("click", addTyped);

// Enter, or the key of a phone that stands in its place, never saves: it adds a weight or goes on to the next field
form.addEventListener("keydown", (event) => {
  const field = event.target;
  if (event.key !== "Enter" || !(field instanceof HTMLInputElement) || ["checkbox", "radio"].includes(field.type)) return;
  event.preventDefault();
  if (field.name === "gross" && !typed("tare") && typed("gross")) form.elements.tare.focus();
  else if (OF_A_WEIGHT.includes(field.name)) addTyped();
  else {
    const typing = fields().filter((other) => !["checkbox", "radio"].includes(other.type));
    typing[typing.indexOf(field) + 1]?.focus();
  }
});

// --- what it gives so far ---

function data() {
  const test = {
    material: form.elements.material?.value ?? "", performed_at: moment(), performed_by: typed("performed_by"),
    [gateField]: typed(gateField), feeder_pct: typed("feeder_pct"), duration_s: typed("duration_s"),
    engine_rpm: typed("engine_rpm"), spinner_on: form.elements.spinner_on.checked ? "true" : "false",
  };
  if (closed && typed("count_before") && typed("count_after")) test.sensor_counts = String(Number(typed("count_after")) - Number(typed("count_before")));
  const division = typed("division");
  const weighings = weights().map((w) => ({
    method: w.method, [`gross_${mass}`]: w.gross, [`tare_${mass}`]: w.tare || "0", count: w.count,
    ...(division ? { [`scale_division_${mass}`]: division } : {}),
  }));
  return { test, weighings, units, sure: looked() ? asked.map((question) => question.code) : [] };
}

/** When the test was done, by the clock of this device. */
const moment = () => momentIn(form.elements.performed_at);

/** What the last answer asked to look at again, and whether that was done. */
let asked = [];
const looked = () => asked.length > 0 && draft.sure === asText(asked);

let timer = null, waitingFor = null;

async function ask() {
  const sent = data();
  if (!sent.weighings.length || !sent.test.duration_s) return shown(null);
  waitingFor?.abort();
  waitingFor = new AbortController();
  try {
    shown(await post(`${address}/try`, sent, waitingFor.signal));
  } catch (error) {
    if (error.name === "AbortError") return;
    asked = []; // the server asks again when the test arrives
    one("#discharge").textContent = "–";
    one("#result").replaceChildren(made("p", error.status
      ? error.message : "No connection: the discharge will be shown when it is back. What you typed is kept on this device.", { class: "box warn" }));
  }
}

function shown(told) {
  const result = one("#result");
  one("#discharge").textContent = told?.ready ? told.per_count || told.discharge : "–";
  one("#measured").textContent = told?.ready && told.measured ? `± ${told.measured}` : "–";
  one("#fine").textContent = told?.ready && told.measured ? (told.fine ? "fine enough" : `too coarse, ${told.allowed} allowed`) : "Weighing and timing";
  mark(told?.problems ?? []);
  asked = told?.questions ?? [];
  if (asked.length) {
    one("#fine").textContent = "Does not fit";
    one("#measured").textContent = "look again";
  }
  if (!told?.ready) {
    result.replaceChildren(made("p", "The discharge appears here when the run time and a weight are in.", { class: "muted" }));
    return;
  }
  const list = made("dl", "", { class: "facts" });
  for (const [name, value] of [["Net", told.net], ["Discharge", told.discharge], ["Mass per count", told.per_count]]) {
    if (value) list.append(made("dt", name), made("dd", value));
  }
  result.replaceChildren(
    list, made("p", "± is the standard uncertainty.", { class: "small muted" }),
    made("p", told.advice, { class: told.fine ? "box" : "box warn" }),
    ...told.warnings.map((text) => made("p", text, { class: "box warn" })),
    ...(told.counts || !told.reason ? [] : [made("p", `Would not count: ${told.reason}`, { class: "box bad" })]),
    ...told.notes.map((text) => made("p", text, { class: "box" })),
    ...lookAgain(asked, looked(), (sure) => { draft.sure = sure; kept.set(DRAFT, draft); }),
  );
}

/** Problems beside their fields, and those that belong to none in the list above the button. */
function mark(problems) {
  for (const field of fields()) { field.removeAttribute("aria-invalid"); field.removeAttribute("aria-describedby"); }
  const names = { gate: gateField, gate_in: gateField, gate_mm: gateField, sensor_counts: "count_after" };
  one("#faults").replaceChildren(...problems.map((problem, place) => {
    const column = problem.column || "*";
    const field = form.elements[names[column] ?? column];
    const label = field?.closest?.("label")?.firstChild?.textContent?.trim();
    if (field instanceof HTMLElement) { field.setAttribute("aria-invalid", "true"); field.setAttribute("aria-describedby", `fault-${place}`); }
    return made("li", `${label || (problem.file === "weighings.csv" ? `weight ${problem.row}, ${column}` : column)}: ${problem.text}`, { id: `fault-${place}` });
  }));
}

function labels() {
  const method = form.elements.method.value;
  one("#gross-label").textContent = LABELS[method][0];
  one("#tare-label").textContent = LABELS[method][1];
  one("#count-field").hidden = method !== "container";
}

function changed() {
  // the date stands where it can be seen and corrected, as soon as there is something to date
  if (!form.elements.performed_at.value && (typed("duration_s") || typed("gross"))) {
    form.elements.performed_at.value = local(new Date()).slice(0, 16);
  }
  remember();
  showWeights();
  labels();
  clearTimeout(timer);
  timer = setTimeout(ask, WAIT_MS);
}

// --- saving ---

function afresh(keep) {
  const stays = keep ? ["material", gateField, "tare", "division", "engine_rpm", "method", "spinner_on", "safe", "performed_by"] : ["performed_by"];
  const before = Object.fromEntries(stays.map((name) => [name, draft.fields[name]]).filter(([, value]) => value !== undefined));
  draft = { ...blank, fields: before, weights: [] };
  form.reset();
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
    showWeights();
    labels();
    tick();
    mark(record.refused.problems);
    ask().then(() => mark(record.refused.problems));
    one("#saved").replaceChildren(made("p", `${record.refused.text} It is back in the form.`, { class: "box bad" }));
  };
  if (!draft.weights.length && !typed("gross") && !typed("duration_s")) return back();
  const box = made("div", "", { class: "box bad" }), button = made("button", "Bring it back into the form", { type: "button" });
  box.append(made("p", `${record.refused.text} ${record.refused.problems.map((p) => `${p.column}: ${p.text}`).join(" ")} It is kept on this device; finish this run first.`), button);
  button.addEventListener("click", back);
  one("#saved").replaceChildren(box);
}

/** Whether a record is of this form; that of liquids has its own. */
const ours = (record) => record.truck === truck && record.address.endsWith("/tests");

function heard(record, answer, error, final) {
  if (!ours(record)) return;
  const saved = one("#saved");
  if (!error) {
    const link = made("a", "the truck and its certificate", { href: address });
    const text = made("p", `Saved as ${answer.test_id}. Go on with the next run, or see `, { class: "box" });
    text.append(link, ".");
    saved.replaceChildren(text);
  } else if (final) {
    takeBack({ ...record, refused: { text: error.message, problems: error.problems } });
  } else {
    const why = error.status ? error.message : "No connection: the test is kept on this device and will be sent when it is back.";
    saved.replaceChildren(made("p", error.status ? `${why} The test is kept on this device and will be sent again.` : why, { class: "box warn" }));
  }
}

/** What keeps a test from being saved: the field, and in words. */
function missing() {
  const { wrong } = beingTyped();
  return !form.elements.safe.checked ? ["safe", "Confirm the cautions at the top first."]
    : draft.started ? ["duration_s", "The stopwatch still runs: stop it first."]
    : !typed("duration_s") ? ["duration_s", "The run time is missing."]
    : typed("gross") && wrong ? ["gross", wrong]
    : !weights().length ? ["gross", "No weight is typed yet."]
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
  if (typed("gross")) addTyped();
  remember();
  clearTimeout(timer);
  one("#save").disabled = true;
  // while there is a connection, nothing is saved that was not held against the truck's other tests
  try { await ask(); } finally { one("#save").disabled = false; }
  if (asked.length && !looked()) {
    one("#faults").replaceChildren(made("li", "Nothing is saved yet: look at this again first."));
    one("#look-again input").focus();
    one("#look-again").scrollIntoView({ block: "center" });
    return;
  }
  kept.set(TESTER, typed("performed_by"));
  const test_id = testName(truck, moment());
  const record = { key: test_id, truck, address: `${address}/tests`, data: { test_id, ...data() }, draft: structuredClone(draft) };
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
for (const button of all("[data-set]", form)) {
  button.addEventListener("click", () => { form.elements[button.dataset.set].value = button.dataset.value; changed(); });
}
form.addEventListener("input", () => { changed(); if (!draft.started) tick(); });
window.addEventListener("online", ask);

inItsUnits();
restore();
if (!typed("performed_by")) form.elements.performed_by.value = kept.get(TESTER, "") || form.dataset.who;
showWeights();
labels();
tick();
ask();
keepSending(heard);
for (const record of refused().filter(ours).slice(0, 1)) takeBack(record);
