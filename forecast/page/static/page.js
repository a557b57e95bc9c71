"use strict";
// Sends what is typed, shows what comes back. Nothing is kept here but in the variables below.
(() => {
  const at = (id) => document.getElementById(id);
  const form = at("entries"), shown = at("shown"), state = at("state"), slider = at("n");
  const bar = at("bar"), main = document.querySelector("main");
  const send = at("sheet-form").querySelector("button");
  const language = document.documentElement.lang;
  let running = false, again = false, picked = false, dated = false, steps = [];

  function asked() {
    const data = new FormData(form);
    const sent = { inks: data.getAll("inks"), facts: data.getAll("facts") };
    const fading = data.getAll("fading");
    sent.gradings = data.getAll("after").map((after, k) => [after.trim(), fading[k].trim()]);
    for (const [name, value] of data) {
      if (!(name in sent) && name !== "after" && name !== "fading") sent[name] = value;
    }
    if (picked) sent.n = slider.value;
    if (!dated) delete sent.start;  // today, or as far from the last session as is usual
    return sent;
  }

  window.askedNow = asked;  // for the daybook, where there is one

  async function update() {
    again = running;
    busy(true);
    if (running) return;
    running = true;
    do {
      again = false;
      try {
        const reply = await fetch("answer?language=" + language, {
          method: "POST",
          headers: { "Content-Type": "application/json" },
          body: JSON.stringify(asked()),
          cache: "no-store",
        });
        const found = await reply.json();
        if (!again) show(found);
      } catch {
        stale(main.dataset.offline);
      }
    } while (again);
    running = false;
    busy(false);
  }

  function busy(yes) {
    at("answer").setAttribute("aria-busy", String(yes));
  }

  function show(found) {
    mark(found.wrong || {});
    for (const name of found.asked_back || []) at("sure-" + name).hidden = false;
    if (found.state === "answered") {
      for (const name of Object.keys(found.parts)) at(name).innerHTML = found.parts[name];
      steps = found.steps;
      slider.max = steps.length;
      slider.value = found.n;
      at("n").labels[0].textContent = found.pick;
      pick();
      say(found.message, Boolean(found.message));
      shown.hidden = false;
      shown.classList.remove("old");
      send.disabled = false;
      shortly(found.short);
    } else if (found.state === "cannot say") {
      shown.hidden = true;
      say(found.message, true);
      shortly(found.message);
    } else {
      stale(found.message);
    }
  }

  // The last good estimate stays, marked as old; before the first one there is only the message.
  function stale(message) {
    const old = !shown.hidden;
    shown.classList.toggle("old", old);
    send.disabled = true;
    const marked = form.querySelector(".wrong:not([hidden])"), offline = message === main.dataset.offline;
    const text = old && !offline ? main.dataset.old + " " + message : message || main.dataset.marked;
    say(text, old || offline || Boolean(marked));
    shortly(text, marked);
  }

  function say(message, alert) {
    if (state.textContent !== message) state.textContent = message;
    state.classList.toggle("alert", alert);
  }

  function shortly(text, marked) {
    bar.textContent = text;
    bar.href = marked ? "#" + marked.id : "#answer";
    bar.hidden = !text || inView;
  }

  function mark(wrong) {
    for (const place of form.querySelectorAll(".wrong")) {
      const name = place.id.slice("wrong-".length);
      const text = wrong[name === "all" ? "" : name] || "";
      if (place.textContent !== text) place.textContent = text;
      place.hidden = !text;
      const field = place.closest("[data-field]");
      if (!field) continue;
      for (const input of field.querySelectorAll("input, select")) {
        const row = input.closest(".grading");  // a row that is empty is not wrong
        const empty = row && ![...row.querySelectorAll("input")].some((one) => one.value);
        if (text && !empty) input.setAttribute("aria-invalid", "true");
        else input.removeAttribute("aria-invalid");
      }
      const folded = place.closest("details");
      if (text && folded) folded.open = true;
    }
  }

  function pick() {
    const n = Number(slider.value), step = steps[n - 1];
    if (!step) return;
    const [filled, text, label] = step;
    at("by-session").textContent = text;
    slider.setAttribute("aria-valuetext", text);
    const icons = document.querySelector("#picture .icons"), curve = document.querySelector("#picture .curve");
    icons.setAttribute("aria-label", label);
    icons.querySelectorAll(".dot").forEach((dot, k) => dot.classList.toggle("on", k < filled));
    const x = Number(curve.dataset.first) + (n - 1) * Number(curve.dataset.step);
    const marker = curve.querySelector(".marker");
    marker.setAttribute("x1", x);
    marker.setAttribute("x2", x);
  }

  function moreGradings() {
    const rows = [...form.querySelectorAll(".grading")];
    const full = rows.findLastIndex((row) => [...row.querySelectorAll("input")].some((input) => input.value));
    rows.forEach((row, k) => { if (k <= full + 1) row.hidden = false; });
  }

  let inView = false;
  new IntersectionObserver((seen) => {
    inView = seen[seen.length - 1].isIntersecting;
    bar.hidden = !bar.textContent || inView;
  }, { rootMargin: "0px 0px -30% 0px" }).observe(at("answer").querySelector("h2"));

  form.addEventListener("input", (event) => {
    // another grading has not been checked yet
    if (["after", "fading"].includes(event.target.name)) form.elements.as_graded.checked = false;
    dated = dated || event.target.name === "start";
    moreGradings();
    update();
  });
  form.addEventListener("submit", (event) => event.preventDefault());
  form.addEventListener("reset", (event) => {
    if (event.defaultPrevented) return;
    busy(true);
    setTimeout(fresh);
  });
  function fresh() {
    picked = dated = false;
    shown.hidden = true;
    for (const folded of form.querySelectorAll("details")) folded.open = false;
    form.querySelectorAll(".grading").forEach((row, k) => { row.hidden = k > 1; });
    at("sure-gradings").hidden = true;
    update();
    form.scrollTop = 0;
    form.querySelector("input").focus();
  }
  slider.addEventListener("input", () => { picked = true; pick(); });
  at("sheet-form").addEventListener("submit", (event) => {
    event.target.elements.asked.value = JSON.stringify({ ...asked(), n: slider.value });
  });
  at("language-form").addEventListener("submit", (event) => {
    event.target.elements.asked.value = JSON.stringify(asked());
  });

  // What was typed in the page's other language; it came with the page and is kept nowhere.
  function restore({ gradings, ...sent }) {
    const rows = form.querySelectorAll(".grading");
    gradings.forEach((row, k) => rows[k].querySelectorAll("input").forEach((input, i) => { input.value = row[i]; }));
    for (const [name, value] of Object.entries(sent)) {
      for (const field of form.querySelectorAll(`[name="${name}"]`)) {
        if (["radio", "checkbox"].includes(field.type)) field.checked = [value].flat().includes(field.value);
        else field.value = value;
      }
    }
    dated = "start" in sent;
    moreGradings();
  }

  if (main.dataset.carried) restore(JSON.parse(main.dataset.carried));
  update();
})();
