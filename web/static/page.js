// Makes the pages nicer; each works without it. Times to the viewer's own zone and language, fresh numbers every minute.
"use strict";

const REFRESH_MS = 60_000;
const clock = new Intl.DateTimeFormat(undefined, { dateStyle: "medium", timeStyle: "short" });
const day = new Intl.DateTimeFormat(undefined, { weekday: "short", day: "numeric", month: "short" });

// As gylewatch/finish_time.py: a full hour of the viewer's clock, which in some zones is half past in UTC.
function toTheHour(time) {
  const rounded = new Date(time.getTime() + 30 * 60_000);
  rounded.setMinutes(0, 0, 0);
  return rounded;
}

function localise(root) {
  for (const element of root.querySelectorAll("time")) {
    const told = new Date(element.dateTime);
    const time = element.classList.contains("hour") ? toTheHour(told) : told;
    element.title = time === told ? element.dateTime : time.toISOString();
    element.textContent = (element.classList.contains("day") ? day : clock).format(time);
  }
  for (const element of root.querySelectorAll(".zone")) {
    element.textContent = "your local time";
  }
}

// A part that changes quickly says how often, in seconds.
function pause() {
  const asked = [...document.querySelectorAll("[data-every]")].map((element) => Number(element.dataset.every) * 1000);
  return Math.min(REFRESH_MS, ...asked);
}

function isTouched(root) {
  const typed = (field) => (field.type === "checkbox" ? field.checked !== field.defaultChecked : field.value !== field.defaultValue);
  // Where no choice is marked, the first one stands.
  const chosen = (list) => list.selectedIndex !== Math.max(0, [...list.options].findIndex((option) => option.defaultSelected));
  return [...root.querySelectorAll("input")].some(typed) || [...root.querySelectorAll("select")].some(chosen);
}

// Whether a person has typed or chosen something, or is asked a question.
function isInUse() {
  return document.querySelector("form .questions") || document.activeElement?.matches("input, select") || isTouched(document);
}

// What a person is reading, typing or has opened must not be pulled away.
async function refresh() {
  if (document.hidden) return;
  const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
  if (!answer.ok) return;
  const fresh = new DOMParser().parseFromString(await answer.text(), "text/html").querySelectorAll("[data-live]");
  const old = document.querySelectorAll("[data-live]");
  if (fresh.length !== old.length) {
    // The page has other parts now, as after a batch's first estimate.
    if (!isInUse()) location.reload();
    return;
  }
  old.forEach((element, index) => {
    if (element.contains(document.activeElement) && element !== document.activeElement) return;
    if (element.querySelector("details[open]") || isTouched(element)) return;
    localise(fresh[index]);
    if (element.innerHTML === fresh[index].innerHTML) return; // nothing to be read out again
    element.replaceChildren(...fresh[index].childNodes);
  });
  document.dispatchEvent(new Event("fresh"));
}

// The fields show local time; the service reads times without a zone as UTC, so the form sends the zone along.
function sendLocalTimes(form) {
  for (const field of form.querySelectorAll("input[type=datetime-local]")) {
    // What the service fills in, or sends back with a question, is in UTC.
    const sent = field.getAttribute("value");
    const meant = new Date(`${sent}Z`);
    let shown = "";
    if (sent && !Number.isNaN(meant.getTime())) {
      shown = new Date(meant.getTime() - meant.getTimezoneOffset() * 60_000).toISOString().slice(0, 16);
      field.value = shown;
    }
    form.addEventListener("formdata", (event) => {
      if (!field.value) return;
      // In autumn the clocks show an hour twice: what nobody has changed is the one that was sent.
      const time = field.value === shown ? meant : new Date(field.value);
      event.formData.set(field.name, time.toISOString());
    });
  }
}

// Only the units that the chosen instrument shows, and the keyboard that fits: the number pads of many phones have no
// minus, and a glass or a meter shows a dry beer's extract below zero.
function offerUnits(form) {
  const units = JSON.parse(form.dataset.units);
  const instrument = form.querySelector("select[name=instrument]");
  const unit = form.querySelector("select[name=unit]");
  const value = form.querySelector("input[name=value]");
  const fitKeyboard = () => {
    const belowZero = instrument.value !== "refractometer" && ["Plato", "Brix"].includes(unit.value);
    value.inputMode = belowZero ? "text" : "decimal";
  };
  const offer = () => {
    const fitting = units[instrument.value];
    const chosen = fitting.includes(unit.value) ? unit.value : fitting[0];
    unit.replaceChildren(...fitting.map((name) => new Option(name, name, name === chosen, name === chosen)));
    fitKeyboard();
  };
  instrument.addEventListener("change", offer);
  unit.addEventListener("change", fitKeyboard);
  offer();
}

document.documentElement.classList.add("with-script");
localise(document);
document.querySelectorAll("form").forEach(sendLocalTimes);
document.querySelectorAll("form[data-units]").forEach(offerUnits);
let asking = false;
setInterval(() => {
  if (asking) return;
  asking = true;
  refresh().catch(() => undefined).finally(() => { asking = false; }); // the next turn tries again
}, pause());
