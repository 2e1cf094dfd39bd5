// Says, while a crate that is back is counted, how many of each code were sold. Without this module the button "Check
// the sums" says the same.

// A line without a count in "left", or with something that is no whole number, has no sum yet.
function sold(line) {
  const counts = [...line.querySelectorAll("input[data-number]")].map((box) => box.value.trim());
  const left = line.querySelector('input[name^="left-"]').value.trim();
  if (left === "" || counts.some((text) => !/^\d*$/.test(text))) return "";
  return String(counts.reduce((rest, text) => rest - Number(text), Number(line.dataset.out)));
}

function show() {
  for (const line of document.querySelectorAll("tr[data-out]")) {
    const words = sold(line);
    line.querySelector("output").textContent = words.startsWith("-") ? "too many" : words;
  }
}

document.addEventListener("input", (event) => event.target.closest?.("tr[data-out]") && show());
document.addEventListener("stillroom:page", show);
addEventListener("pageshow", show); // a browser may put back what was typed
show();
