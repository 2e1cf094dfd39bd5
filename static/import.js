// Keeps the page of an import up to date while it runs. Without this module the page asks for itself anew every two
// seconds, and has a link for it.

const part = document.getElementById("import");

async function look() {
  try {
    const answer = await fetch(location.href);
    const page = answer.ok && new DOMParser().parseFromString(await answer.text(), "text/html");
    const now = page && page.getElementById("import");
    // Through, or signed out meanwhile: the whole page, its title and what it says first.
    if (!now || !now.hasAttribute("data-running")) return location.reload();
    // Only the figures change: a button that has the focus keeps it.
    for (const name of ["progress", ".far"]) {
      const [old, fresh] = [part.querySelector(name), now.querySelector(name)];
      if (old && fresh) old.replaceWith(fresh);
    }
  } catch {
    // No connection: the last figures stay, and the next look may reach us.
  }
  setTimeout(look, 1000);
}

setTimeout(look, 1000);
