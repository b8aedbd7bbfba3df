// The plan page: a change is tried without loading the page again; scenarios are remembered in this browser.
"use strict";
import { all, kept, made, one } from "./net.js";
import { showMap } from "./map.js";

const PARTS = ["part-tried", "part-problems", "part-figures", "part-applications", "part-carry", "part-routes", "part-takeover", "part-yards"];
const SCENARIOS = `spreadplan scenarios ${location.pathname}`;
let shownMap = null;

/** Fetch the page at an address and put its parts in place of those here. */
async function show(address, push = true) {
  const started = performance.now();
  const fault = one("#try-fault");
  fault.hidden = true;
  const answer = await fetch(address, { headers: { accept: "text/html" } }).catch(() => null);
  const page = answer && new DOMParser().parseFromString(await answer.text(), "text/html");
  if (!answer?.ok) {
    fault.textContent = page?.querySelector("h1")?.textContent ?? "No connection.";
    fault.hidden = false;
    return false;
  }
  for (const id of PARTS) {
    const open = all("details", document.getElementById(id)).map((details) => details.open);
    document.getElementById(id).replaceWith(document.adoptNode(page.getElementById(id)));
    all("details", document.getElementById(id)).forEach((details, n) => { details.open = open[n] ?? false; });
  }
  if (push) history.pushState(null, "", answer.url);
  one("#segment").replaceChildren();
  one("#try-done").textContent = `Shown after ${((performance.now() - started) / 1000).toFixed(1)} s.`;
  ready();
  shownMap?.load();
  return true;
}

one("#try").addEventListener("submit", async (event) => {
  event.preventDefault();
  const form = event.target, data = new URLSearchParams(new FormData(form));
  data.set("try", event.submitter.value);
  if (!(await show(`${form.getAttribute("action")}?${data}`))) return;
  for (const field of all("input:not([type=hidden])", form)) field.value = "";
  one("#part-tried").scrollIntoView({ block: "start" });
});
document.addEventListener("click", (event) => {
  const link = event.target.closest("a[data-live]");
  if (!link || event.ctrlKey || event.metaKey) return;
  event.preventDefault();
  show(link.href);
});
window.addEventListener("popstate", () => show(location.href, false));

async function picked(properties) {
  const behind = new URLSearchParams(location.search);
  behind.set("i", properties.i);
  const answer = await fetch(`${one("#map").dataset.segment}?${behind}`);
  const page = new DOMParser().parseFromString(await answer.text(), "text/html");
  one("#segment").replaceChildren(...page.body.childNodes);
}

// --- scenarios ---

function scenarios() {
  const known = kept.get(SCENARIOS, []);
  const place = one("#scenarios");
  place.hidden = !known.length;
  one("ul", place).replaceChildren(...known.map(({ name, changes }) => {
    const row = made("li"), out = made("button", "forget", { type: "button", class: "slim", "aria-label": `Forget ${name}` });
    out.addEventListener("click", () => { kept.set(SCENARIOS, kept.get(SCENARIOS, []).filter((other) => other.name !== name)); scenarios(); });
    row.append(made("a", name, { href: `${location.pathname}?${changes.map((c) => `c=${encodeURIComponent(c)}`).join("&")}`, "data-live": "" }), " ", out);
    return row;
  }));
  for (const select of all("select", place)) {
    const before = select.value;
    select.replaceChildren(made("option", "as it stands", { value: "" }), ...known.map(({ name }) => made("option", name, { value: name })));
    select.value = before || (select.name === "other" ? known.at(-1)?.name : "") || "";
  }
}
one("#compare").addEventListener("click", () => {
  const known = Object.fromEntries(kept.get(SCENARIOS, []).map(({ name, changes }) => [name, changes]));
  const part = (letter, name) => (known[name] ?? []).map((c) => `${letter}=${encodeURIComponent(c)}`);
  const place = one("#scenarios");
  location.assign(`${location.pathname}/compare?${[...part("a", one("[name=one]", place).value), ...part("b", one("[name=other]", place).value)].join("&")}`);
});

function ready() {
  const keep = one("[data-keep]");
  if (!keep) return;
  keep.hidden = false;
  keep.addEventListener("click", () => {
    const changes = new URLSearchParams(location.search).getAll("c");
    const name = prompt("A name for this scenario", all(".chips li").map((chip) => chip.firstChild.textContent.trim()).join(", ").slice(0, 60));
    if (!name) return;
    kept.set(SCENARIOS, [...kept.get(SCENARIOS, []).filter((other) => other.name !== name), { name, changes }]);
    scenarios();
  });
}

ready();
scenarios();
showMap(one("#map"), { query: () => location.search, picked }).then((map) => { shownMap = map; });
