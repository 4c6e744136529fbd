// What every page does where scripts run: keeps records when there is no network, and says how many wait.
import * as outbox from "./outbox.js";

const texts = JSON.parse(document.getElementById("texts").textContent);
const say = (key, values = {}) => texts[key].replace(/\{(\w+)\}/g, (_, name) => values[name]);
const told = document.getElementById("told");

function tell(text) {
  told.textContent = text;
  told.hidden = false;
}

// ------------------------------------------------------------------ how many wait

async function showCount() {
  const badge = document.getElementById("unsent");
  const waiting = await outbox.all().catch(() => []);
  badge.hidden = waiting.length === 0;
  badge.textContent = waiting.length === 1 ? say("unsent_one") : say("unsent_many", { n: waiting.length });
  await showUnsent(waiting);
}

async function showUnsent(waiting) {
  const list = document.getElementById("unsent-list");
  if (!list) return;
  const none = document.getElementById("unsent-none");
  none.classList.remove("not-yet"); // its room was kept, so that nothing moves
  none.hidden = waiting.length > 0;
  const button = document.getElementById("unsent-send");
  button.hidden = !waiting.some((record) => !record.refused);
  const facts = waiting.length ? await outbox.session() : {};
  list.replaceChildren(...waiting.map((record) => unsentItem(record, facts)));
}

const SHOWN = { weekday: "short", day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" };

function part(name, text, attributes = {}) {
  const made = document.createElement(name);
  made.textContent = text;
  for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
  return made;
}

function unsentItem(record, facts) {
  const item = part("li", "", { class: "card" });
  item.append(part("h2", record.what), part("p", new Date(record.at).toLocaleString("en-GB", SHOWN), { class: "quiet" }));
  let state = say("waiting");
  if (record.refused) state = say("refused", { reason: record.refused.detail });
  else if (facts.reached && !facts.name) state = say("log_in");
  else if (record.by && facts.name && record.by !== facts.name) state = say("other_person", { name: record.by });
  item.append(part("p", state, record.refused ? { class: "problem" } : {}));
  const row = part("p", "", { class: "row" });
  row.append(part("a", say("open"), { href: `/batches/${record.batch}`, class: "button" }));
  if (record.refused) {
    const button = part("button", say("drop"), { type: "button" });
    button.addEventListener("click", async () => {
      if (!confirm(say("drop_sure"))) return;
      await outbox.drop(record.key);
      await showCount();
    });
    row.append(button);
  }
  item.append(row);
  return item;
}

async function sendWaiting() {
  await outbox.sendAll().catch(() => 0);
  await showCount();
}

// ------------------------------------------------------------------ writing down

const WHOLE = ["plants"], NUMBERS = ["leaves", "weight_g"];
const camel = (name) => name.replace(/_(\w)/g, (_, letter) => letter.toUpperCase());

// The moment that a local time of the house is, whatever zone this device is in.
function momentOf(local, zone) {
  const parts = new Intl.DateTimeFormat("en", {
    timeZone: zone, hourCycle: "h23", year: "numeric", month: "numeric", day: "numeric", hour: "numeric", minute: "numeric", second: "numeric",
  });
  const shown = (moment) => {
    const p = Object.fromEntries(parts.formatToParts(moment).map((x) => [x.type, Number(x.value)]));
    return Date.UTC(p.year, p.month - 1, p.day, p.hour, p.minute, p.second);
  };
  const wanted = Date.parse(`${local}Z`);
  let moment = wanted - (shown(wanted) - wanted);
  moment = wanted - (shown(moment) - moment);
  return new Date(moment).toISOString();
}

function bodyOf(form, facts) {
  const body = {};
  for (const [name, typed] of new FormData(form)) {
    if (name === "csrf" || name === "back" || String(typed).trim() === "") continue;
    const text = String(typed).trim();
    const scale = Number(form.elements[name].dataset?.scale ?? 1);
    if (WHOLE.includes(name)) body[camel(name)] = Number(text);
    else if (NUMBERS.includes(name)) body[camel(name)] = Number(text.replace(",", ".")) * scale;
    else if (name === "happened_at") body.happenedAt = momentOf(text, form.dataset.zone);
    else body[camel(name)] = text;
  }
  if (!body.happenedAt && !facts.reached) body.happenedAt = new Date(Date.now() + (facts.ahead ?? 0)).toISOString();
  return body;
}

function showProblems(form, refused) {
  for (const line of form.querySelectorAll("[data-problem]")) {
    const name = line.dataset.problem;
    const found = refused.errors.find((error) => error.field === `/${camel(name)}`);
    line.textContent = found?.problem ?? "";
    line.hidden = !found;
    form.elements[name]?.toggleAttribute("aria-invalid", Boolean(found));
    if (found) form.elements[name]?.setAttribute("aria-invalid", "true");
  }
  tell(`${say("check")} ${refused.detail}`);
  form.querySelector("[aria-invalid]")?.focus();
}

async function record(form, submitter) {
  const facts = await outbox.session();
  if (facts.reached && !facts.name) return HTMLFormElement.prototype.submit.call(form); // logged out: the log-in page says so
  const kept = {
    key: outbox.newKey(),
    order: Date.now(),
    at: Date.now() + (facts.ahead ?? 0),
    by: facts.name ?? null,
    batch: form.dataset.record,
    what: form.dataset.what,
    path: `/v1/batches/${form.dataset.record}/entries`,
    body: bodyOf(form, facts),
  };
  await outbox.keep(kept); // first of all, so that nothing is lost whatever happens while it is sent
  const earlier = (await outbox.all()).filter((other) => other.key !== kept.key && !other.refused);
  if (earlier.length) await outbox.sendAll();
  const how = (await outbox.find(kept.key)) ? await outbox.send(kept, facts) : "sent";
  if (how === "sent") {
    const back = form.elements.back?.value ?? location.pathname;
    const entry = kept.answer?.entry?.id;
    location.assign(entry ? `${back}?recorded=${entry}&batch=${kept.batch}` : back);
    return;
  }
  submitter?.removeAttribute("disabled");
  if (how === "refused") {
    await outbox.drop(kept.key); // the person is still at the form and can correct it
    showProblems(form, kept.refused);
  } else {
    form.reset();
    tell(say("kept"));
  }
  await showCount();
}

document.addEventListener("submit", (event) => {
  const form = event.target;
  if (form.method === "get" || event.defaultPrevented) return;
  if (form.dataset.sending) return event.preventDefault(); // a second tap
  if (form.dataset.record && "indexedDB" in window) {
    event.preventDefault();
    form.dataset.sending = "yes";
    event.submitter?.setAttribute("disabled", "");
    record(form, event.submitter)
      .catch(() => HTMLFormElement.prototype.submit.call(form))
      .finally(() => { delete form.dataset.sending; });
  } else {
    form.dataset.sending = "yes";
    addEventListener("pageshow", () => { delete form.dataset.sending; }, { once: true });
  }
});

// ------------------------------------------------------------------ at the start

// A link to a form on this page opens it.
function openTarget() {
  const target = location.hash.length > 1 && document.getElementById(location.hash.slice(1));
  if (!(target instanceof HTMLDetailsElement)) return;
  // Two open forms that ask for much the same are easily taken for one another.
  if (target.matches(".record")) for (const other of document.querySelectorAll("details.record[open]")) other.open = false;
  target.open = true;
}
openTarget();
addEventListener("hashchange", openTarget);

// What was said once is not said again when the page is read again.
if (/[?&](said|recorded)=/.test(location.search)) {
  const address = new URL(location.href);
  for (const name of ["said", "recorded", "batch"]) address.searchParams.delete(name);
  history.replaceState(null, "", address);
}

// Menus close when one looks elsewhere.
document.addEventListener("click", (event) => {
  for (const menu of document.querySelectorAll("details.houses[open], .more details[open]")) {
    if (!menu.contains(event.target)) menu.open = false;
  }
});
document.addEventListener("keydown", (event) => {
  if (event.key !== "Escape") return;
  for (const menu of document.querySelectorAll("details.houses[open], .more details[open]")) {
    menu.open = false;
    menu.querySelector("summary").focus();
  }
});

if (document.body.classList.contains("wall")) setInterval(() => navigator.onLine && location.reload(), 300_000);
// A time zone to begin with, where one is asked for.
const zone = document.querySelector("input[name=time_zone]");
if (zone && !zone.value) zone.value = Intl.DateTimeFormat().resolvedOptions().timeZone ?? "";

document.getElementById("unsent-send")?.addEventListener("click", sendWaiting);
addEventListener("online", sendWaiting);
outbox.session().catch(() => {}); // so that it is known who is here, and what time it is, when the network is gone
sendWaiting();
setInterval(() => { if (!document.getElementById("unsent").hidden) sendWaiting(); }, 30_000);

if ("serviceWorker" in navigator) {
  navigator.serviceWorker.register("/worker.js").then(async () => {
    const ready = await navigator.serviceWorker.ready;
    if (document.body.classList.contains("login")) ready.active.postMessage({ forget: true });
    const list = document.getElementById("keep");
    if (list) ready.active.postMessage({ keep: [location.pathname, ...JSON.parse(list.textContent)] });
  }).catch(() => {});
}
