// What this module adds to pages that work without it:
//  - the button of a bench entry says the number that will be recorded (without it: the verb alone);
//  - the on-screen keypad (without it: the tablet's own keyboard);
//  - a second tap on a button that is already sending does nothing (without it: the entry key still stores once);
//  - the error summary takes the focus, and what was saved is spoken (without it: both stand in the page);
//  - what was typed at the bench is kept on the tablet until it is stored: see outbox.js.

import { read, show } from "./number.js";
import { say, start } from "./outbox.js";

const NUMBERS = "input[data-number]:not([readonly])";
let current = null; // the number box that has the focus, or had it last, or comes first

// enliven does what a page needs once: at its start, and when the outbox turned it into the server's answer.
function enliven() {
  // Errors first: the summary takes the focus, also where a browser ignores autofocus on it. A page that asks a
  // question about a number has no summary and wants the number: an answer that came in place has no autofocus.
  const first = document.querySelector(".summary, main form [autofocus]");
  first?.focus();
  if (first?.value) first.select?.(); // what stands in it is to be replaced, not added to
  for (const button of document.querySelectorAll("button[data-echo]")) echo(button);
  const boxes = [...document.querySelectorAll(`main ${NUMBERS}`)];
  current = boxes.find((box) => box === document.activeElement) ?? boxes[0];
  if (current) for (const pad of document.querySelectorAll(".keypad")) openKeypad(pad, boxes);
}

// echo keeps a Record button saying what it will record.
function echo(button) {
  const box = document.getElementById(button.dataset.echo);
  const { verb, unit } = button.dataset;
  const words = () => {
    if (button.disabled) return; // the outbox speaks there now
    const plain = read(box.value);
    button.textContent = plain === "" ? verb : `${verb} ${show(plain)} ${unit}`.trim();
  };
  box.addEventListener("input", words);
  box.form?.addEventListener("reset", () => setTimeout(words));
  addEventListener("pageshow", words); // a browser may put back what was typed
  words();
}

function openKeypad(pad, boxes) {
  // A pad that types into nothing that can be seen is in the way: "Weigh more of it" opens a box, and the pad with it.
  const seen = (box) => box.checkVisibility?.() ?? true;
  const place = () => {
    if (!seen(current)) current = boxes.find(seen) ?? current;
    pad.hidden = !seen(current);
  };
  for (const part of document.querySelectorAll("main details")) part.addEventListener("toggle", place);
  place();
  // Under a finger the tablet's own keyboard would cover the page, and this one is larger.
  if (matchMedia("(any-pointer: coarse)").matches) for (const box of boxes) box.inputMode = "none";
  // The box keeps the focus, and with it the place where the next digit goes.
  pad.addEventListener("pointerdown", (event) => event.preventDefault());
  pad.addEventListener("click", (event) => {
    const key = event.target.closest("button")?.dataset.key;
    if (key) type(current, key);
  });
}

function type(box, key) {
  if (document.activeElement !== box) {
    box.focus();
    box.setSelectionRange(box.value.length, box.value.length);
  }
  let from = box.selectionStart;
  const to = box.selectionEnd;
  if (key === "back" && from === to) from = Math.max(0, from - 1);
  const words = key === "back" ? "" : key;
  if (box.maxLength >= 0 && box.value.length - (to - from) + words.length > box.maxLength) return;
  box.setRangeText(words, from, to, "end");
  box.dispatchEvent(new Event("input", { bubbles: true }));
}

addEventListener("focusin", (event) => {
  if (event.target.matches?.(`main ${NUMBERS}`)) current = event.target;
});

// A live region that was filled before the page was read is often not spoken: fill it anew. What the outbox saved
// on the page before is handed over here, since its own request used up the server's one-time message.
const words = document.getElementById("said")?.textContent || handedOver();
if (words) say(words);

function handedOver() {
  try {
    const value = sessionStorage.getItem("said");
    sessionStorage.removeItem("said");
    return value;
  } catch {
    return ""; // storage may be forbidden; then it is just not said
  }
}

// On a narrow screen the areas are one row that scrolls: bring the current one into it, without moving the page.
for (const here of document.querySelectorAll(".top > .areas [aria-current]")) {
  const row = here.parentElement;
  row.scrollLeft = here.offsetLeft - row.offsetLeft - (row.clientWidth - here.offsetWidth) / 2;
}

document.addEventListener("stillroom:page", enliven);
enliven();
start(); // before the guard below, which leaves alone what the outbox took

// A second tap while the first is on its way. The button is disabled only after the form was read, or its own name
// and value would be missing; and not for ever, since the answer may be a download that leaves the page standing.
addEventListener("submit", (event) => {
  const { target: form, submitter: button } = event;
  if (event.defaultPrevented || !button || form.getAttribute("method")?.toLowerCase() !== "post") return;
  setTimeout(() => {
    button.disabled = true;
    setTimeout(() => (button.disabled = false), 10_000);
  });
});
addEventListener("pageshow", (event) => {
  if (event.persisted) for (const button of document.querySelectorAll("form button:disabled")) button.disabled = false;
});
