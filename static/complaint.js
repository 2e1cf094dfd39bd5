// Says, while a complaint is written down, what the unit can have been. Without this module the button "Look up" says the
// same.

const place = document.getElementById("looked");
const names = ["code_said", "product", "bought_at", "bought_on"];
const boxes = names.map((name) => document.getElementById(`f-${name}`));
let timer = 0;

// What somebody chose goes along, so that it stays chosen; "not decided" is asked anew.
function asked() {
  const query = new URLSearchParams(boxes.map((box) => [box.name, box.value.trim()]));
  const chosen = place.querySelector("input[name=packing]:checked")?.value;
  if (touched && chosen && chosen !== "-") query.set("packing", chosen);
  return query.toString();
}

let touched = false; // a person chose, rather than a code that proved itself

async function look() {
  const query = asked();
  try {
    const answer = await fetch(`${place.dataset.href}?${query}`);
    const page = new DOMParser().parseFromString(await answer.text(), "text/html");
    const found = page.getElementById("looked");
    // Who was signed out meanwhile gets another page; and what was typed since has its own answer on the way.
    if (answer.ok && found && query === asked()) place.replaceChildren(...found.childNodes);
  } catch {
    // No connection: what stands there stays, and saving keeps the code as it was said.
  }
}

for (const box of boxes) {
  box.addEventListener("input", () => {
    clearTimeout(timer);
    timer = setTimeout(look, 350);
  });
}
place.addEventListener("change", () => (touched = true));
addEventListener("pageshow", () => boxes.some((box) => box.value !== box.defaultValue && box.tagName === "INPUT") && look()); // a browser may put back what was typed
