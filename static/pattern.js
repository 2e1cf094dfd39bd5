// Says, while a pattern of batch codes is typed, what it makes. Without this module the button "Show the code first"
// says the same.

const box = document.getElementById("f-code_pattern");
const words = document.getElementById("pattern-preview");
let timer = 0;

async function show() {
  const asked = box.value;
  try {
    const answer = await fetch(`${words.dataset.href}?pattern=${encodeURIComponent(asked)}`);
    // Who was signed out meanwhile gets another page; and what was typed since has its own answer on the way.
    const plain = answer.ok && answer.headers.get("Content-Type")?.startsWith("text/plain");
    if (plain && box.value === asked) words.textContent = await answer.text();
  } catch {
    // No connection: the last words stay, and saving says what is off.
  }
}

box.addEventListener("input", () => {
  clearTimeout(timer);
  timer = setTimeout(show, 250);
});
addEventListener("pageshow", () => box.value !== box.defaultValue && show()); // a browser may put back what was typed
