(() => {
  "use strict";
  const cards = [...document.querySelectorAll("details.card")];
  const box = document.getElementById("filter");
  const week = document.getElementById("week");
  const status = document.getElementById("filter-status");
  const list = document.getElementById("others");
  const index = document.getElementById("find-index");
  const found = cards.map((card) => fold(card.dataset.find));
  let rows = null;
  function apply() {
    const typed = box ? fold(box.value).trim().split(/\s+/).filter(Boolean) : [];
    const wanted = week ? week.value : "";
    let shown = 0;
    const visible = [];
    for (const [k, card] of cards.entries()) {
      const hit = typed.every((w) => found[k].includes(w)) && (!wanted || card.dataset.week === wanted);
      card.hidden = !hit;
      card.classList.remove("even");
      if (hit) { shown += 1; visible.push(card); }
    }
    visible.forEach((card, k) => card.classList.toggle("even", k % 2 === 1));
    let text = `${shown} of ${cards.length} ${cards.length === 1 ? "card" : "cards"} shown`;
    if (list && index) {
      list.replaceChildren();
      if (typed.length) {
        rows ??= JSON.parse(index.textContent).map((r) => [r, fold(`${r[0]} ${r[1]} ${r[2]}`)]);
        const hits = rows.filter(([, key]) => typed.every((w) => key.includes(w)));
        text += hits.length > 50 ? `; ${hits.length.toLocaleString("en")} other installs match, first 50 below` : `; ${hits.length} other ${hits.length === 1 ? "install matches" : "installs match"}`;
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
  // A file stays on a phone for long: what is planned and forecast in it does not stay true.
  const STALE_DAYS = 14;
  const day = document.querySelector(".asof")?.dataset.day;
  const age = Math.floor((Date.now() - new Date(`${day}T00:00`)) / 864e5);
  const note = document.getElementById("age");
  if (note && age > STALE_DAYS) {
    note.textContent = `These cards stand as of ${age} days ago: ask for newer ones before you rely on them.`;
    note.hidden = false;
  }
  apply();
  go();
})();
