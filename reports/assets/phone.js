(() => {
  "use strict";
  const cards = [...document.querySelectorAll("details.card")];
  const box = document.getElementById("filter");
  const week = document.getElementById("week");
  const status = document.getElementById("filter-status");
  const list = document.getElementById("others");
  const index = document.getElementById("find-index");
  let rows = null;
  function apply() {
    const typed = box ? box.value.trim().toLowerCase().split(/\s+/).filter(Boolean) : [];
    const wanted = week ? week.value : "";
    let shown = 0;
    const visible = [];
    for (const card of cards) {
      const hit = typed.every((w) => card.dataset.find.includes(w)) && (!wanted || card.dataset.week === wanted);
      card.hidden = !hit;
      card.classList.remove("even");
      if (hit) { shown += 1; visible.push(card); }
    }
    visible.forEach((card, k) => card.classList.toggle("even", k % 2 === 1));
    let text = `${shown} of ${cards.length} cards shown`;
    if (list && index) {
      list.replaceChildren();
      if (typed.length) {
        rows ??= JSON.parse(index.textContent).map((r) => [r, `${r[0]} ${r[1]} ${r[2]}`.toLowerCase()]);
        const hits = rows.filter(([, key]) => typed.every((w) => key.includes(w)));
        text += hits.length > 50 ? `; ${hits.length.toLocaleString("en")} other installs match, first 50 below` : `; ${hits.length} other installs match`;
        list.replaceChildren(...hits.slice(0, 50).map(([r]) => {
          const item = document.createElement("li");
          const name = document.createElement("bdi");
          name.textContent = r[1] || r[0];
          const more = document.createElement("span");
          more.className = "note";
          more.textContent = ` ${r[0]} · ${r[2]} · ${r[3]}` + (r[4] ? ` · planned week of ${r[4]}` : "");
          item.append(name, more);
          return item;
        }));
      }
    }
    status.textContent = text;
  }
  box?.addEventListener("input", apply);
  week?.addEventListener("change", apply);
  document.getElementById("print")?.addEventListener("click", () => print());
  document.getElementById("open-all")?.addEventListener("click", () => cards.forEach((c) => { c.open = true; }));
  document.getElementById("close-all")?.addEventListener("click", () => cards.forEach((c) => { c.open = false; }));
  const opened = [];
  addEventListener("beforeprint", () => { for (const c of cards) if (!c.open) { c.open = true; opened.push(c); } });
  addEventListener("afterprint", () => { while (opened.length) opened.pop().open = false; });
  const go = () => {
    const card = location.hash.startsWith("#card-") ? document.getElementById(location.hash.slice(1)) : null;
    if (card) { card.hidden = false; card.open = true; card.scrollIntoView(); }
  };
  addEventListener("hashchange", go);
  apply();
  go();
})();
