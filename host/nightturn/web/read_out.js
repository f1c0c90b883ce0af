// A picture told by arrow keys: its values, one row of its table after the other, for who cannot or will not look.
const STEPS = { ArrowRight: 1, ArrowLeft: -1, PageDown: 10, PageUp: -10 };

export function tell(event) {
  const box = document.activeElement, figure = box?.closest("figure");
  if (!figure || !box.classList.contains("scroll") || !box.querySelector("svg")) return;
  const rows = [...figure.querySelectorAll("details tbody tr")];
  if (event.key === "Escape") { line(figure).textContent = ""; return; }
  const last = rows.length - 1, now = Number(figure.dataset.row ?? -1);
  const next = { Home: 0, End: last }[event.key] ?? now + (STEPS[event.key] ?? NaN);
  if (!rows.length || Number.isNaN(next)) return;
  event.preventDefault();
  const at = Math.min(Math.max(next, 0), last);
  figure.dataset.row = at;
  const heads = [...figure.querySelectorAll("details thead th")].map((each) => each.textContent);
  const cells = [...rows[at].children].map((each, place) => `${heads[place]} ${each.textContent}`);
  line(figure).textContent = cells.join("; ");
}

function line(figure) {
  let found = figure.querySelector(".read-out");
  if (!found) {
    found = document.createElement("p");
    found.className = "read-out caption";
    found.setAttribute("role", "status");
    figure.querySelector(".scroll").after(found);
  }
  return found;
}
