(() => {
  "use strict";
  const byId = (id) => document.getElementById(id);
  const read = (id) => (byId(id) ? JSON.parse(byId(id).textContent) : {});
  const specs = read("specs");
  const data = read("data");
  const sets = {};
  for (const [name, columns] of Object.entries(data)) {
    const keys = Object.keys(columns);
    const count = keys.length ? columns[keys[0]].length : 0;
    sets[name] = Array.from({ length: count }, (_, i) => {
      const row = {};
      for (const k of keys) row[k] = columns[k][i];
      return row;
    });
  }
  const views = new Map();
  const params = {};

  const LONGEST_LABEL = 110; // pixels, of a picture as narrow as a phone

  function colours(narrow) {
    const css = getComputedStyle(document.documentElement);
    const of = (name) => css.getPropertyValue(name).trim();
    return {
      background: "transparent",
      axis: { labelColor: of("--text"), titleColor: of("--text"), gridColor: of("--grid"), domainColor: of("--muted"), tickColor: of("--muted") },
      legend: { labelColor: of("--text"), titleColor: of("--text"), ...(narrow ? { columns: 1 } : {}) },
      text: { color: of("--text") },
      title: { color: of("--text") },
    };
  }

  function used(node, names) {
    if (Array.isArray(node)) node.forEach((n) => used(n, names));
    else if (node && typeof node === "object") {
      if (node.data && typeof node.data.name === "string") names.add(node.data.name);
      Object.values(node).forEach((n) => used(n, names));
    }
    return names;
  }

  async function draw(el) {
    const name = el.dataset.chart;
    const spec = specs[name];
    const datasets = {};
    for (const n of used(spec, new Set())) if (sets[n]) datasets[n] = sets[n];
    const marks = Object.values(datasets).reduce((sum, rows) => sum + rows.length, 0);
    if (views.has(name)) views.get(name).finalize();
    const narrow = el.clientWidth < 480;
    const own = spec.config || {};
    const config = narrow ? { ...own, axis: { ...own.axis, labelLimit: LONGEST_LABEL } } : own;
    const result = await vegaEmbed(el, { ...spec, config, datasets }, {
      actions: false, ast: true, renderer: marks > 5000 ? "canvas" : "svg", config: colours(narrow),
    });
    views.set(name, result);
    for (const [param, value] of Object.entries(params)) await set(result.view, param, value);
    el.style.minHeight = "";
    el.dataset.drawn = "yes";
  }

  async function set(view, param, value) {
    try {
      await view.signal(param, value).runAsync();
    } catch (error) {
      if (!String(error).includes("Unrecognized signal")) throw error;
    }
  }

  const live = [...document.querySelectorAll(".live[data-chart]")];
  const seen = new IntersectionObserver((entries) => {
    for (const entry of entries) {
      if (entry.isIntersecting && !entry.target.dataset.drawn) {
        entry.target.dataset.drawn = "soon";
        draw(entry.target);
      }
    }
  }, { rootMargin: "400px" });
  live.forEach((el) => seen.observe(el));
  matchMedia("(prefers-color-scheme: dark)").addEventListener("change", () => {
    live.filter((el) => el.dataset.drawn === "yes").forEach((el) => draw(el));
  });

  // One choice drives every chart that has the parameter of that name; the address keeps it.
  const hash = new URLSearchParams(location.hash.slice(1));
  const keep = (key, value) => {
    hash.set(key, value);
    history.replaceState(null, "", `#${hash}`);
  };
  for (const select of document.querySelectorAll("select[data-param]")) {
    const key = select.dataset.param;
    const apply = () => {
      params[key] = select.value;
      views.forEach((result) => set(result.view, key, select.value));
    };
    const wanted = hash.get(key);
    if (wanted !== null && [...select.options].some((o) => o.value === wanted)) {
      select.value = wanted;
      apply();
    }
    select.addEventListener("change", () => { keep(key, select.value); apply(); });
  }

  // One section of several is shown; without this script all of them are.
  for (const select of document.querySelectorAll("select[data-sections]")) {
    const key = select.dataset.sections;
    const apply = () => {
      for (const section of document.querySelectorAll(`[data-section="${key}"]`)) section.hidden = section.id !== select.value;
    };
    const wanted = hash.get(key);
    if (wanted !== null && [...select.options].some((o) => o.value === wanted)) select.value = wanted;
    apply();
    select.addEventListener("change", () => { keep(key, select.value); apply(); });
  }

  // A link to a sheet opens it. Printed are the sheets that stand open, or all of them if none does.
  const sheets = [...document.querySelectorAll("details.limit-sheet")];
  const go = () => {
    const sheet = sheets.find((s) => `#${s.id}` === location.hash);
    if (sheet) { sheet.open = true; sheet.scrollIntoView(); }
  };
  addEventListener("hashchange", go);
  go();
  addEventListener("beforeprint", () => {
    const some = sheets.some((s) => s.open);
    for (const s of sheets) { s.classList.toggle("unprinted", some && !s.open); }
  });

  // The install search. Its index lies in scripts by area, fetched the first time something is typed.
  const box = byId("find");
  if (box) {
    const shards = JSON.parse(byId("shards").textContent);
    const areas = shards.names;
    const rows = [];
    const status = byId("find-status");
    const list = byId("found");
    let state = "none";
    globalThis.foulcastFind = (area, part) => { for (const r of part) rows.push([...r, area, fold(`${r[0]} ${r[1]} ${r[2]} ${areas[area]}`)]); };
    const load = async () => {
      state = "loading";
      status.textContent = "Reading the list of installs …";
      await Promise.all(shards.files.map((file) => new Promise((done, fail) => {
        const script = document.createElement("script");
        script.src = file;
        script.onload = done;
        script.onerror = () => fail(new Error(file));
        document.head.append(script);
      })));
      state = "ready";
    };
    const show = async () => {
      const typed = fold(box.value).trim().split(/\s+/).filter(Boolean);
      if (!typed.length) { list.replaceChildren(); status.textContent = ""; return; }
      if (state === "none") {
        try { await load(); } catch (error) { state = "none"; status.textContent = "The list of installs could not be read."; return; }
      } else if (state === "loading") return;
      const now = fold(box.value).trim().split(/\s+/).filter(Boolean);
      const hits = rows.filter((r) => now.every((w) => r[8].includes(w)));
      status.textContent = hits.length > 50 ? `${hits.length.toLocaleString("en")} match, first 50 shown` : `${hits.length} match`;
      list.replaceChildren(...hits.slice(0, 50).map((r) => {
        const item = document.createElement("li");
        const who = document.createElement(r[6] ? "a" : "span");
        if (r[6]) who.href = shards.pages[r[6] - 1] + "#card-" + r[5];
        const name = document.createElement("bdi");
        name.textContent = r[1] || r[0];
        who.append(name);
        const more = document.createElement("span");
        more.className = "note";
        more.textContent = ` ${r[0]} · ${r[2]} · ${areas[r[7]]} · ${shards.states[r[3]]}` + (r[4] ? ` · planned week of ${r[4]}` : "");
        item.append(who, more);
        return item;
      }));
      keep("q", box.value);
    };
    box.addEventListener("input", show);
    if (hash.get("q")) { box.value = hash.get("q"); show(); }
  }
})();
