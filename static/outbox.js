// The outbox: an entry made at the bench is kept on this tablet until the server has stored it. A form with
// data-outbox is first written to IndexedDB, to the disk and not only to memory, then sent, and taken out only
// after a receipt. Entries of one batch (data-batch) go in the order in which they were made.
//
// Without this module the same form is an ordinary form: it is stored exactly as well while there is a connection,
// and what was typed is lost when there is none.
//
// It lives in the page and needs no service worker, so it also works over plain HTTP. What is kept stands readable
// in this browser's storage until it was sent. The server's receipts are told apart as follows:
//   3xx, then any page   stored: taken out. Only storing redirects.
//   2xx                  the same, if it is one of our pages: a Wi-Fi's log-in page answers 200 too
//   401, or sign-in      waits for the same person; nobody else's name is put to it
//   4xx                  refused: this batch stops, the words are shown, the entry stays and can be opened again
//   5xx, 408, 425, 429   waits, as it does without any answer
// Sending twice is harmless: the entry key stores it once.
//
// Attributes: data-outbox on the form; data-batch, the code; data-what, what the entry is called in messages; and
// data-again where the same form may be used again before the first was sent (else it locks, so that one weighing
// is not recorded twice by an impatient thumb). data-asks on a button of such a form: it only asks, and goes straight.

const NAME = "stillroom-outbox";
const STORE = "entries";
const PAPER = "This tablet cannot keep it. Write this on paper.";
// Milliseconds to the next try while something waits: soon at first, since "online" comes before the network does.
const TRIES = [1_000, 2_000, 4_000, 8_000, 15_000];
const PATIENCE = 10_000; // milliseconds for one answer

let database = null; // a promise while open
let sending = null; // a promise while entries go out
let again = false; // something came in meanwhile
let tries = 0; // since the last sign of life
let timer = 0;
let problem = ""; // why the rest waits, in words
let nobody = false; // it waits because nobody is signed in any more
let openHere = ""; // the key of a refused entry whose form, with the server's words, is this page
const locked = new Map(); // seq of an entry to the form on this page that waits for it

/** say speaks through the page's one polite live region, and shows the words there unless they stand elsewhere. */
export function say(words, shown = true) {
  const region = document.getElementById("said");
  if (!region) return;
  region.classList.toggle("vh", !shown);
  region.textContent = "";
  setTimeout(() => (region.textContent = words), 60); // a change to the same words is not spoken
}

/** start listens to the forms of this page and sends what is left from others. */
export function start() {
  if (!document.body.dataset.person) return;
  addEventListener("submit", take);
  addEventListener("online", soon);
  document.addEventListener("visibilitychange", () => document.visibilityState === "visible" && soon());
  addEventListener("pageshow", (event) => {
    // Back to a page whose entry was stored: its key is used up, so it is drawn anew.
    if (event.persisted && document.querySelector("form[data-stored]")) location.reload();
    else soon();
  });
  reopen().then(soon, soon);
}

function soon() {
  tries = 0;
  return flush();
}

// --- the store -------------------------------------------------------------------------------------------------

function open() {
  database ??= new Promise((done, failed) => {
    const request = indexedDB.open(NAME, 1);
    request.onupgradeneeded = () => {
      const store = request.result.createObjectStore(STORE, { keyPath: "seq", autoIncrement: true });
      store.createIndex("key", "key", { unique: true });
    };
    request.onsuccess = () => {
      const db = request.result;
      db.onclose = db.onversionchange = () => {
        db.close();
        database = null;
      };
      done(db);
    };
    request.onerror = () => failed(request.error);
    request.onblocked = () => failed(new Error("blocked"));
    setTimeout(() => failed(new Error("no answer")), PATIENCE); // some browsers never answer after a crash
  }).catch((error) => {
    database = null;
    throw error;
  });
  return database;
}

// within runs one transaction and gives what act's request gave, once it is on the disk. A database that was
// closed under us (storage cleared, tablet out of memory) is opened once more.
async function within(mode, act) {
  const run = async () => {
    const db = await open();
    return new Promise((done, failed) => {
      const tx = db.transaction(STORE, mode, { durability: "strict" });
      let request;
      tx.oncomplete = () => done(request?.result);
      tx.onabort = tx.onerror = () => failed(tx.error ?? new Error("not kept"));
      request = act(tx.objectStore(STORE));
    });
  };
  try {
    return await run();
  } catch {
    database = null;
    return run();
  }
}

const everything = () => within("readonly", (store) => store.getAll());
const remove = (seq) => within("readwrite", (store) => store.delete(seq));
const change = (entry) => within("readwrite", (store) => store.put(entry));

// keep writes an entry and gives its place in the order. An entry refused before and sent again keeps its place.
async function keep(entry) {
  const before = await within("readonly", (store) => store.index("key").get(entry.key));
  if (before) entry.seq = before.seq;
  return within("readwrite", (store) => store.put(entry));
}

// --- a form is sent --------------------------------------------------------------------------------------------

async function take(event) {
  const form = event.target;
  if (event.defaultPrevented || !form.matches("form[data-outbox]")) return;
  if (event.submitter?.matches("[data-asks]")) return; // it stores nothing: its answer is no receipt
  event.preventDefault();
  if (form.dataset.busy) return;
  if (!form.reportValidity()) return; // before it is kept: a refusal hours later helps nobody
  form.dataset.busy = "true";
  const button = event.submitter ?? form.querySelector("button:not([type=button])");
  const entry = written(form, event.submitter);
  lock(form, button, "Kept on this tablet");
  try {
    entry.seq = await keep(entry);
  } catch {
    return withoutStore(form, button, entry);
  }
  navigator.storage?.persist?.().catch(() => {}); // asks the browser not to clear it; where it may refuse, it may
  locked.set(entry.seq, { form, button });
  await soon();
  settle(entry, form, button, await everything().catch(() => [entry]));
}

// written reads the form as a browser would send it, and what of it a person should see again.
function written(form, submitter) {
  const key = form.querySelector("[name=entry_key]") ?? form.appendChild(hidden("entry_key"));
  key.value ||= mint();
  const clock = form.querySelector("[name=device_time]");
  if (clock) clock.value = new Date().toISOString();
  const data = new FormData(form);
  if (submitter?.name) data.append(submitter.name, submitter.value);
  return {
    key: key.value,
    batch: form.dataset.batch ?? "",
    what: form.dataset.what ?? document.querySelector("h1")?.textContent.trim() ?? "An entry",
    values: visible(form),
    action: new URL(form.getAttribute("action") || location.href, location.href).href,
    body: new URLSearchParams(data).toString(),
    page: location.pathname + location.search,
    person: document.body.dataset.person,
    name: document.body.dataset.name ?? "",
    at: new Date().toISOString(),
    refused: "",
  };
}

function visible(form) {
  const values = [];
  for (const box of form.elements) {
    if (!box.name || box.type === "hidden" || box.type === "password" || box.tagName === "BUTTON" || box.disabled) continue;
    if ((box.type === "radio" || box.type === "checkbox") && !box.checked) continue;
    const label = box.labels?.[0]?.textContent.trim().replace(/\s+/g, " ") ?? box.name;
    const unit = box.parentElement.querySelector(".unit")?.textContent ?? "";
    if (box.type === "radio" || box.type === "checkbox") values.push(label);
    else if (box.tagName === "SELECT") values.push(`${label}: ${box.selectedOptions[0]?.textContent.trim() ?? ""}`);
    else if (box.value) values.push(`${label}: ${box.value} ${unit}`.trim());
  }
  return values;
}

// mint makes a key as the server does (UUID version 4). randomUUID is missing on plain HTTP; this is not.
function mint() {
  const b = crypto.getRandomValues(new Uint8Array(16));
  b[6] = (b[6] & 0x0f) | 0x40;
  b[8] = (b[8] & 0x3f) | 0x80;
  const hex = [...b].map((x) => x.toString(16).padStart(2, "0")).join("");
  return hex.replace(/^(.{8})(.{4})(.{4})(.{4})(.{12})$/, "$1-$2-$3-$4-$5");
}

function hidden(name) {
  return Object.assign(document.createElement("input"), { type: "hidden", name });
}

function lock(form, button, words) {
  if (!button) return;
  button.dataset.words ??= button.textContent;
  button.disabled = true;
  button.textContent = words;
}

function unlock(form, button) {
  delete form.dataset.busy;
  if (!button) return;
  button.disabled = false;
  button.textContent = button.dataset.words ?? button.textContent;
  delete button.dataset.words;
}

// settle leaves the form as it should be when its entry did not go through at once. (When it did, the page is on
// its way to the next one.)
function settle(entry, form, button, left) {
  const mine = left.find((e) => e.seq === entry.seq);
  if (!mine) return;
  if (mine.refused) return; // told already
  if ("again" in form.dataset) {
    locked.delete(entry.seq);
    form.reset();
    for (const box of form.querySelectorAll("[data-number], textarea")) box.value = "";
    form.querySelector("[name=entry_key]").value = mint();
    unlock(form, button);
  }
  say(`Kept on this tablet: ${[entry.what, ...entry.values].join(", ")}. ${problem}`, false);
}

// withoutStore sends at once, since nothing can be kept, and says so when that fails. What was typed stays.
async function withoutStore(form, button, entry) {
  lock(form, button, "Sending");
  const answer = await send(entry);
  if (answer.fate === "stored") return leave(form, answer);
  unlock(form, button);
  if (answer.fate === "refused" && turnTo(answer.page, entry)) return;
  const words = answer.fate === "refused" ? answer.words : `${PAPER} ${[entry.what, ...entry.values].join(", ")}`;
  draw([], words);
  say(words, false);
}

// --- sending ---------------------------------------------------------------------------------------------------

/** flush sends what is kept, one after the other, and draws what is left. Calls meanwhile join the one that runs. */
export function flush() {
  if (sending) {
    again = true;
    return sending;
  }
  sending = (async () => {
    try {
      do {
        again = false;
        await sendAll();
      } while (again);
    } finally {
      sending = null; // in the same breath as the check above, or a call in between would be forgotten
    }
  })();
  return sending;
}

async function sendAll() {
  let entries;
  try {
    entries = await everything();
  } catch {
    return; // told when something is to be kept
  }
  const me = document.body.dataset.person;
  const stopped = new Set(); // batches that go no further in this round
  let stored = 0;
  let here = null; // what became of the form on this page
  problem = "";
  nobody = false;
  for (const entry of entries) {
    if (entry.person !== me) continue;
    const order = entry.batch || entry.seq; // what belongs to no batch waits for nothing
    if (entry.refused) stopped.add(order);
    if (stopped.has(order)) continue;
    const answer = await send(entry);
    if (locked.has(entry.seq)) here = { ...locked.get(entry.seq), entry, answer };
    if (answer.fate === "stored") {
      await remove(entry.seq);
      stored++;
      continue;
    }
    stopped.add(order);
    if (answer.fate === "refused") {
      await change({ ...entry, refused: answer.words });
      if (!locked.has(entry.seq)) say(`${entry.what}: ${answer.words}`, false);
      continue;
    }
    problem = answer.words;
    nobody = answer.fate === "nobody";
    if (nobody || answer.fate === "cut") break; // the rest would fare the same
  }
  clearTimeout(timer);
  if (problem) timer = setTimeout(flush, TRIES[Math.min(tries++, TRIES.length - 1)]);
  if (here?.answer.fate === "stored" && untouched(here.form)) return leave(here.form, here.answer);
  if (here?.answer.fate === "refused") {
    // What was typed is still there, to be put right under the same key.
    locked.delete(here.entry.seq);
    unlock(here.form, here.button);
    turnTo(here.answer.page, here.entry);
  }
  draw((await everything().catch(() => [])).filter((e) => e.key !== openHere));
  if (here?.answer.fate === "refused" && openHere !== here.entry.key) document.getElementById("outbox")?.focus();
  if (here?.answer.fate === "stored" && here.button) here.button.textContent = "Saved";
  if (stored > 0) say(stored === 1 ? "The entry kept on this tablet is saved." : `${stored} entries kept on this tablet are saved.`);
}

// untouched tells that nothing was typed elsewhere on the page, which going on to the next would throw away.
function untouched(form) {
  return [...document.querySelectorAll("main input:not([type=hidden]), main textarea")].every(
    (box) => form.contains(box) || (box.value === box.defaultValue && box.checked === box.defaultChecked),
  );
}

// turnTo shows the server's own page for a refused form: its words on top and beside each box, everything typed
// still there. Only where that page is the same form with the same key; else the words stand in the list of what
// is kept. The entry stays kept until the form is sent again. Tells whether the page was turned to.
function turnTo(page, entry) {
  const doc = parsed(page);
  // Any form: one that takes the entry before back may stand above it.
  const keys = [...doc.querySelectorAll("main form[data-outbox] [name=entry_key]")];
  if (!keys.some((key) => key.value === entry.key)) return false;
  openHere = entry.key;
  document.title = doc.title;
  document.querySelector("main").replaceWith(document.adoptNode(doc.querySelector("main")));
  document.dispatchEvent(new Event("stillroom:page"));
  return true;
}

// send gives { fate, words, url, page }: stored, refused, nobody (is signed in), waits, or cut (no answer at all).
async function send(entry) {
  const cut = { fate: "cut", words: "It is sent as soon as there is a connection." };
  const limit = new AbortController();
  const late = setTimeout(() => limit.abort(), PATIENCE);
  let answer, page;
  try {
    answer = await fetch(entry.action, {
      method: "POST",
      headers: { "Content-Type": "application/x-www-form-urlencoded", Accept: "text/html" },
      body: entry.body,
      redirect: "follow",
      credentials: "same-origin",
      signal: limit.signal,
    });
    page = await answer.text().catch(() => "");
  } catch {
    return cut;
  } finally {
    clearTimeout(late);
  }
  const url = new URL(answer.url);
  if (url.origin !== location.origin) return cut;
  if (answer.status === 401 || url.pathname === "/sign-in") {
    return { fate: "nobody", words: `It waits until ${entry.name || "the same person"} signs in again on this tablet.` };
  }
  const ours = !answer.headers.get("Content-Type")?.startsWith("text/html") || page.includes('name="stillroom"');
  if (answer.redirected || (answer.ok && ours)) return { fate: "stored", url: answer.url, words: spoken(page) };
  if (answer.ok) return cut;
  if (answer.status >= 500 || [408, 425, 429].includes(answer.status)) {
    return { fate: "waits", words: "The server is not ready. It is sent again by itself." };
  }
  return { fate: "refused", words: refusal(page, answer.status), page };
}

// spoken is the one-time message that our request used up, to be said by the next page.
function spoken(page) {
  return parsed(page).getElementById("said")?.textContent.trim() || "Saved.";
}

// refusal is what the server said, without its heading.
function refusal(page, status) {
  const doc = parsed(page);
  const lines = [...doc.querySelectorAll(".summary p, .summary li")];
  if (lines.length === 0) lines.push(...[...doc.querySelectorAll("main h1, main p:not(#said)")].slice(0, 2));
  const words = lines.map((l) => l.textContent.trim().replace(/\s+/g, " ")).filter(Boolean).join(". ");
  return words.slice(0, 400) || `The server did not take it (${status}).`;
}

const parsed = (page) => new DOMParser().parseFromString(page, "text/html");

function leave(form, answer) {
  form.dataset.stored = "true";
  try {
    sessionStorage.setItem("said", answer.words);
  } catch {
    // only the word "Saved" is lost
  }
  const there = new URL(answer.url);
  if (there.pathname + there.search === location.pathname + location.search) location.reload();
  else location.assign(there.href);
}

// --- what is kept, in sight ------------------------------------------------------------------------------------

function make(tag, words, attributes = {}) {
  const node = document.createElement(tag);
  node.textContent = words;
  for (const [name, value] of Object.entries(attributes)) node.setAttribute(name, value);
  return node;
}

// draw lists what is kept below the live region; it is no live region itself.
function draw(entries, paper = "") {
  document.getElementById("outbox")?.remove();
  if (entries.length === 0 && !paper) return;
  const stop = paper || entries.some((e) => e.refused);
  const box = make("section", "", { id: "outbox", class: stop ? "note stop" : "note care", tabindex: "-1", "aria-labelledby": "outbox-title" });
  box.append(make("h2", paper ? "Not saved" : "Kept on this tablet", { id: "outbox-title" }));
  if (paper) box.append(make("p", paper));
  const list = box.appendChild(make("ul", ""));
  for (const entry of entries) list.append(line(entry, entries));
  if (entries.length === 0) list.remove();
  document.getElementById("said")?.after(box);
}

function line(entry, entries) {
  const item = make("li", "");
  const code = entry.batch ? [make("span", entry.batch, { class: "tag", translate: "no" }), " "] : [];
  item.append(...code, make("b", [entry.what, ...entry.values].join(", ")), make("br", ""));
  if (entry.refused) {
    item.append(make("span", "Not taken.", { class: "state stop" }), ` ${entry.refused} `, ways(entry));
    return item;
  }
  item.className = "waits";
  item.append(make("span", "Kept.", { class: "state wait" }), ` ${why(entry, entries)} `);
  if (nobody && entry.person === document.body.dataset.person) item.append(make("a", "Sign in", { href: "/sign-in" }));
  return item;
}

function why(entry, entries) {
  if (entry.person !== document.body.dataset.person) return `It waits until ${entry.name || "the same person"} signs in on this tablet.`;
  const before = entries.find((e) => e.refused && entry.batch && e.batch === entry.batch && e.person === entry.person && e.seq < entry.seq);
  if (before) return "It waits for the entry above it that was not taken.";
  return problem || "It is being sent.";
}

// ways are what can be done about a refused entry: put it right, send it as it is, or, two taps away, give it up.
function ways(entry) {
  const row = make("div", "", { class: "actions" });
  if (entry.person !== document.body.dataset.person) return row;
  row.append(make("a", "Open the form again", { class: "button", href: `${entry.page}#kept-${entry.seq}` }));
  row.firstChild.addEventListener("click", () => setTimeout(reopen));
  const retry = row.appendChild(make("button", "Send it again", { type: "button", class: "second" }));
  retry.addEventListener("click", async () => {
    await change({ ...entry, refused: "" });
    await flush();
  });
  const out = row.appendChild(make("details", "", { class: "confirm" }));
  out.append(make("summary", "Leave it out", { class: "button stop" }));
  const gone = out.appendChild(make("button", "It is on paper: take it off this tablet", { type: "button", class: "stop" }));
  gone.addEventListener("click", async () => {
    await remove(entry.seq);
    await flush();
    draw(await everything().catch(() => []));
  });
  return row;
}

// reopen puts a refused entry back into its form, with the same key, when the address asks for it.
async function reopen() {
  const seq = Number(/^#kept-(\d+)$/.exec(location.hash)?.[1]);
  if (!seq) return;
  const entry = (await everything()).find((e) => e.seq === seq && e.person === document.body.dataset.person);
  if (!entry) return;
  const form = [...document.querySelectorAll("form[data-outbox]")].find(
    (f) => new URL(f.getAttribute("action") || location.href, location.href).href === entry.action,
  );
  if (!form) return say("This form is no longer here. What was typed stands above.");
  const typed = new URLSearchParams(entry.body);
  for (const box of form.elements) {
    if (!box.name || box.tagName === "BUTTON" || !(typed.has(box.name) || box.type === "checkbox")) continue;
    if (box.type === "radio" || box.type === "checkbox") box.checked = typed.getAll(box.name).includes(box.value);
    else box.value = typed.get(box.name);
    box.dispatchEvent(new Event("input", { bubbles: true }));
  }
  form.querySelector("input:not([type=hidden]), select, textarea")?.focus();
}
