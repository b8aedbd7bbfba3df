// The map. Our own style: a plain background and our own layers; tiles only where the workspace names a server.
"use strict";
import { getJson, made } from "./net.js";

const CLASSES = 5;
const PAD = 0.25;

const colour = (name) => getComputedStyle(document.documentElement).getPropertyValue(name).trim();

function style(places) {
  const sources = { lines: { type: "geojson", data: empty() }, areas: { type: "geojson", data: places.areas } };
  const layers = [{ id: "ground", type: "background", paint: {} }];
  if (places.tiles) {
    sources.tiles = { type: "raster", tiles: [places.tiles.address], tileSize: 256, attribution: places.tiles.credit };
    layers.push({ id: "tiles", type: "raster", source: "tiles", paint: { "raster-saturation": -0.7, "raster-opacity": 0.6 } });
  }
  layers.push(
    { id: "area-face", type: "fill", source: "areas", paint: { "fill-opacity": 0.14 } },
    { id: "area-edge", type: "line", source: "areas", paint: { "line-width": 1.5, "line-dasharray": [3, 2] } },
    { id: "line-none", type: "line", source: "lines", filter: ["==", ["get", "s"], "none"], paint: { "line-width": 1.5, "line-dasharray": [1, 2] } },
    { id: "line-case", type: "line", source: "lines", filter: ["==", ["get", "s"], "rate"], layout: { "line-cap": "round", "line-join": "round" }, paint: {} },
    { id: "line-rate", type: "line", source: "lines", filter: ["==", ["get", "s"], "rate"], layout: { "line-cap": "round", "line-join": "round" }, paint: {} },
    { id: "line-doubt", type: "line", source: "lines", filter: ["==", ["get", "s"], "doubt"], paint: { "line-width": 4, "line-dasharray": [1.4, 1.1] } },
    { id: "line-picked", type: "line", source: "lines", filter: ["==", ["get", "i"], -1], layout: { "line-cap": "round" }, paint: { "line-width": 12, "line-opacity": 0.35 } },
  );
  return { version: 8, sources, layers };
}

const empty = () => ({ type: "FeatureCollection", features: [] });
// width says the same as the colour, for those who see few colours
const width = (more) => ["interpolate", ["linear"], ["zoom"],
  7, ["+", ["*", 0.35, ["get", "w"]], 1 + more], 13, ["+", ["*", 1.1, ["get", "w"]], 3 + more]];

function paint(map, palette) {
  const steps = Array.from({ length: CLASSES }, (_, n) => colour(`--${palette}-${n}`));
  map.setPaintProperty("ground", "background-color", colour("--faint"));
  map.setPaintProperty("area-face", "fill-color", colour("--link"));
  map.setPaintProperty("area-edge", "line-color", colour("--link"));
  map.setPaintProperty("line-none", "line-color", colour("--off"));
  map.setPaintProperty("line-case", "line-color", colour("--edge"));
  map.setPaintProperty("line-case", "line-width", width(1.6));
  map.setPaintProperty("line-rate", "line-color", ["match", ["get", "k"], ...steps.flatMap((step, n) => [n, step]), steps.at(-1)]);
  map.setPaintProperty("line-rate", "line-width", width(0));
  map.setPaintProperty("line-doubt", "line-color", colour("--red"));
  map.setPaintProperty("line-picked", "line-color", colour("--focus"));
}

function swatch(look) {
  const space = "http://www.w3.org/2000/svg";
  const svg = document.createElementNS(space, "svg"), line = document.createElementNS(space, "line");
  for (const [name, value] of [["width", 34], ["height", 12], ["aria-hidden", "true"]]) svg.setAttribute(name, value);
  for (const [name, value] of Object.entries({ x1: 2, x2: 32, y1: 6, y2: 6, ...look })) line.setAttribute(name, value);
  svg.append(line);
  return svg;
}

function legend(list, places, palette) {
  const thick = palette === "verdict" ? [6, 4.5, 3, 4.5, 6] : [3, 4.2, 5.4, 6.6, 7.8];
  const rows = places.legend.map((text, n) => [text, { class: `${palette}-${n}`, "stroke-width": thick[n] }]);
  rows.push([places.unknown, { class: "stroke-none", "stroke-width": 1.5, "stroke-dasharray": "2 3" }]);
  rows.push([places.doubt, { class: "stroke-doubt", "stroke-width": 4, "stroke-dasharray": "6 4" }]);
  if (places.areas.features.length) rows.push(["sensitive area", { class: "stroke-area", "stroke-width": 1.5, "stroke-dasharray": "4 3" }]);
  list.replaceChildren(...rows.filter(([text]) => text).map(([text, look]) => {
    const row = made("li");
    row.append(swatch(look), made("span", text));
    return row;
  }));
}

/** Show a map in ``place``. ``query`` gives what stands behind the question mark of each address. */
export async function showMap(place, { query, picked }) {
  const palette = place.dataset.palette ?? "step";
  const places = await getJson(place.dataset.places + query()).catch((error) => {
    const said = place.querySelector(".empty");
    if (said) said.textContent = `No map: ${error.message}`;
    return null;
  });
  if (!places) return null;
  legend(document.getElementById("legend"), places, palette);
  const library = await import(place.dataset.library);
  library.setWorkerUrl(new URL(place.dataset.worker, location.href).href);
  let map;
  try {
    map = new library.Map({ container: place, style: style(places), bounds: places.bounds, fitBoundsOptions: { padding: place.clientWidth < 500 ? 14 : 30 },
      attributionControl: places.tiles ? { compact: false } : false, dragRotate: false, pitchWithRotate: false, maxZoom: 19, cooperativeGestures: matchMedia("(max-width: 720px)").matches });
  } catch {
    return null; // no graphics processor: what stands in the page says so
  }
  place.querySelector(".empty")?.remove();
  map.addControl(new library.NavigationControl({ showCompass: false }), "top-right");
  map.addControl(new library.ScaleControl({ unit: place.dataset.units === "metric" ? "metric" : "imperial" }), "bottom-left");
  for (const [kind, marks] of [["yard", places.yards], ["route", places.names]]) {
    for (const mark of marks) new library.Marker({ element: made("div", mark.name, { class: `mark ${kind}` }) }).setLngLat(mark.at).addTo(map);
  }
  await new Promise((go) => map.once("load", go));
  paint(map, palette);
  let whole = false, loading = null;

  async function load() {
    loading?.abort();
    loading = new AbortController();
    const box = map.getBounds(), w = box.getEast() - box.getWest(), h = box.getNorth() - box.getSouth();
    const view = [box.getWest() - PAD * w, box.getSouth() - PAD * h, box.getEast() + PAD * w, box.getNorth() + PAD * h].map((end) => end.toFixed(5));
    const behind = query();
    try {
      const data = await getJson(`${place.dataset.lines}${behind}${behind ? "&" : "?"}box=${view}&zoom=${map.getZoom().toFixed(2)}`, loading.signal);
      whole = data.whole;
      map.getSource("lines").setData(data);
      place.dataset.loaded = String(data.features.length);
    } catch (error) { if (error.name !== "AbortError") place.dataset.fault = error.message; }
  }

  map.on("moveend", () => { if (!whole) load(); });
  map.on("click", (event) => {
    const near = [[event.point.x - 8, event.point.y - 8], [event.point.x + 8, event.point.y + 8]];
    const found = map.queryRenderedFeatures(near, { layers: ["line-rate", "line-doubt", "line-none"] })[0];
    if (!found) return;
    map.setFilter("line-picked", ["==", ["get", "i"], found.properties.i]);
    picked(found.properties);
  });
  map.on("mousemove", "line-rate", () => { map.getCanvas().style.cursor = "pointer"; });
  map.on("mouseleave", "line-rate", () => { map.getCanvas().style.cursor = ""; });
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => paint(map, palette));
  await load();
  return { map, load };
}
