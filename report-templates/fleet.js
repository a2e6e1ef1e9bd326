// Sorting and filtering of the ranking. Without this the whole table stands there, most lost time first.
"use strict";
(() => {
  const table = document.getElementById("ranking");
  const tools = document.getElementById("tools");
  if (!table || !tools) return;
  const body = table.tBodies[0];
  const rows = Array.from(body.rows);
  const words = document.getElementById("f-words");
  const verdict = document.getElementById("f-verdict");
  const side = document.getElementById("f-side");
  const said = document.getElementById("f-said");
  const texts = new Map(rows.map((r) => [r, r.textContent.toLowerCase()]));

  const filter = () => {
    const wanted = words.value.trim().toLowerCase();
    let shown = 0;
    for (const r of rows) {
      const fits = (!wanted || texts.get(r).includes(wanted))
        && (!verdict.value || r.dataset.verdict === verdict.value)
        && (!side.value || r.dataset.side === side.value);
      r.hidden = !fits;
      if (fits) shown += 1;
    }
    said.textContent = shown + " of " + rows.length + " sites shown";
  };

  const sort = (head, key, number) => {
    const down = head.getAttribute("aria-sort") === "ascending";
    for (const h of table.tHead.rows[0].cells) h.removeAttribute("aria-sort");
    head.setAttribute("aria-sort", down ? "descending" : "ascending");
    const of = (r) => (number ? Number(r.dataset[key]) : r.dataset[key]);
    rows.sort((a, b) => {
      const x = of(a), y = of(b);
      const order = number ? x - y : String(x).localeCompare(String(y));
      return (down ? -order : order) || Number(a.dataset.rank) - Number(b.dataset.rank);
    });
    body.append(...rows);
  };

  for (const head of table.tHead.rows[0].cells) {
    const key = head.dataset.key;
    if (!key) continue;
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = head.textContent;
    button.addEventListener("click", () => sort(head, key, head.dataset.kind === "number"));
    head.replaceChildren(button);
  }
  for (const control of [words, verdict, side]) control.addEventListener("input", filter);
  tools.addEventListener("submit", (e) => e.preventDefault());
  document.getElementById("f-clear").addEventListener("click", () => {
    words.value = ""; verdict.value = ""; side.value = "";
    filter();
  });
  tools.hidden = false;
  filter();
})();
