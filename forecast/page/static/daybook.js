"use strict";
// Opens courses of the daybook and writes to it; what is open stands in the variables below alone.
(() => {
  const at = (id) => document.getElementById(id);
  const form = at("entries"), book = at("book"), state = at("book-state"), keep = at("keep-form");
  const hidden = (name) => form.elements[name];
  let course = null, unsaved = false, filling = false;

  async function send(what, from, body) {
    for (const place of document.querySelectorAll("#book .wrong, #keep-form .wrong")) place.hidden = true;
    for (const field of document.querySelectorAll("#book [aria-invalid], #keep-form [aria-invalid]")) field.removeAttribute("aria-invalid");
    for (const sure of document.querySelectorAll("#book .sure")) if (!from || !from.contains(sure)) unsure(sure);
    const buttons = from ? [...from.querySelectorAll("button")] : [];
    buttons.forEach((one) => { one.disabled = true; });
    try {
      const reply = await fetch(`book/${what}?language=${document.documentElement.lang}`, {
        method: "POST",
        headers: { "Content-Type": "application/json" },
        body: JSON.stringify({ ...body, by: at("by").value, course: course ? course.course : "", version: course ? course.version : 0 }),
        cache: "no-store",
      });
      return answered(await reply.json(), from);
    } catch {
      say(book.dataset.offline, true);
      return null;
    } finally {
      buttons.forEach((one) => { one.disabled = false; });
    }
  }

  function answered(found, from) {
    at("several").hidden = true;
    if (found.state === "wrong") {
      say(found.message, true);
      for (const [name, text] of Object.entries(found.wrong)) tell(name, text, from);
      const sure = from && from.querySelector(".sure"), told = from && from.querySelector(".wrong:not([hidden])");
      if (sure && told && found.askable) {
        sure.hidden = false;
        told.after(sure);
      }
      return null;
    }
    if (found.state === "choose") {
      say(found.message, false);
      at("several").replaceChildren(...found.courses.map((code) => {
        const button = document.createElement("button");
        button.type = "button";
        button.textContent = code;
        button.addEventListener("click", () => open({ chosen: code }));
        return button;
      }));
      at("several").hidden = false;
      return null;
    }
    show(found, from);
    say(found.message, found.state === "changed", from === keep);
    return found.state === "changed" ? null : found;
  }

  // that it is right was said of what stood there before
  function unsure(sure) {
    sure.hidden = true;
    sure.querySelector("input").checked = false;
  }

  function tell(name, text, from) {
    const places = [from, at("book"), keep].filter(Boolean);
    const field = places.map((one) => one.querySelector(`[data-field="${name}"]`)).find(Boolean);
    if (!field) return say(text, true);
    const place = field.querySelector(".wrong"), input = field.querySelector("input, select");
    place.textContent = text;
    place.hidden = false;
    input.setAttribute("aria-invalid", "true");
    input.focus();
    return null;
  }

  // a form on a phone is taller than the screen: what came of it is brought into view
  function say(text, alert, told = false) {
    state.textContent = text;
    state.classList.toggle("alert", alert);
    if (text && !told) state.scrollIntoView({ block: "nearest" });
  }

  function show(found, from) {
    const fresh = !course || course.course !== found.course;
    course = found;
    at("course").hidden = false;
    at("course-name").textContent = found.course;
    at("course-lines").innerHTML = found.html;
    at("session-form").hidden = found.ended;
    at("ending").hidden = found.ended || !found.begun;
    at("ending").open = false;
    at("undo").textContent = found.undo;
    at("undo").hidden = !found.undo;
    at("under-way").hidden = true;
    keep.querySelector("[data-field=client_id]").hidden = true;
    hidden("course").value = found.course;
    if (fresh) {
      hidden("promise").value = at("kept").textContent = "";
      fill(form, found.fields);
      fill(form, { goal: found.goal });
      form.elements.inks.forEach((box) => { box.checked = (found.fields.inks || "").split(";").includes(box.value); });
    }
    ask(found.facts, fresh, from === at("session-form"));
    if (found.state !== "changed") offer(found);  // what was typed here is not written down yet
    for (const name of ["session-form", "end-form"]) {
      at(name).querySelector(".last-fading").textContent = found.offered.last;
    }
    again();
  }

  // what was a yes stays one until it is asked again, which it is to be; a reaction written down is one
  function ask(facts, fresh, written) {
    for (const box of form.elements.facts) {
      const yes = facts.includes(box.value);
      if (fresh || (written && yes && !box.checked)) form.elements.questions.checked = false;
      if (fresh || written) box.checked = yes || (box.checked && !fresh);
    }
  }

  function offer(found) {
    for (const name of ["session-form", "end-form"]) {
      at(name).reset();
      at(name).querySelector(".sure").hidden = true;
    }
    fill(at("session-form"), found.offered);
    if (!at("by").value) at("by").value = found.offered.by;
    unsaved = false;
  }

  function fill(into, values) {
    for (const [name, value] of Object.entries(values)) {
      const field = into.elements[name];
      if (field && name !== "inks") field.value = value;
    }
  }

  // asks for the estimate anew, as if something had been typed
  function again() {
    filling = true;
    form.dispatchEvent(new Event("input", { bubbles: true }));
    filling = false;
  }

  async function open(which) {
    if (unsaved && !confirm(book.dataset.unsaved)) return;
    const before = course;
    course = null;
    const found = await send("open", at("open-form"), which);
    if (found) at("code").value = "";
    else course = before;  // a code that leads nowhere closes nothing
  }

  function leave(reset) {
    course = null;
    unsaved = false;
    at("course").hidden = true;
    at("under-way").hidden = false;
    keep.querySelector("[data-field=client_id]").hidden = false;
    hidden("course").value = hidden("promise").value = "";
    if (reset) form.reset();
  }

  const values = (from) => Object.fromEntries(new FormData(from));
  at("open-form").addEventListener("submit", (event) => {
    event.preventDefault();
    open({ code: at("code").value });
  });
  for (const [name, what] of [["session-form", "session"], ["end-form", "end"]]) {
    at(name).addEventListener("input", (event) => {
      unsaved = true;
      const sure = at(name).querySelector(".sure");
      if (!sure.contains(event.target)) unsure(sure);
    });
    at(name).addEventListener("submit", (event) => {
      event.preventDefault();
      send(what, event.target, values(event.target));
    });
  }
  book.addEventListener("click", (event) => {
    const step = event.target.dataset.add;
    if (!step) return;
    const input = event.target.parentElement.querySelector("input");
    const from = Number((input.value || course.offered.fading || "0").replace(",", "."));
    input.value = String(Math.min(100, from + Number(step)));
    input.dispatchEvent(new Event("input", { bubbles: true }));
  });
  at("undo").addEventListener("click", async () => {
    hidden("promise").value = "";
    at("kept").textContent = "";
    await send("undo", null, {});
  });
  at("leave").addEventListener("click", () => {
    if (!unsaved || confirm(book.dataset.unsaved)) leave(true);
  });
  keep.addEventListener("submit", async (event) => {
    event.preventDefault();
    const found = await send("keep", keep, { ...values(keep), asked: window.askedNow() });
    if (!found) return;
    hidden("promise").value = String(found.promise);
    at("kept").textContent = found.message;
  });
  form.addEventListener("input", () => {
    if (filling) return;
    unsaved = true;
    hidden("promise").value = "";  // what is asked now is not what was kept
    at("kept").textContent = "";
  }, true);
  form.addEventListener("reset", (event) => {
    if (unsaved && !confirm(book.dataset.unsaved)) event.preventDefault();
    else if (course || hidden("promise").value) { leave(false); say("", false); at("kept").textContent = ""; }
  }, true);
  form.addEventListener("reset", (event) => { if (!event.defaultPrevented) unsaved = false; });
  window.addEventListener("beforeunload", (event) => { if (unsaved) event.preventDefault(); });

  // In the page's other language the course is open as before, with what was typed and not written down.
  const typed = ["session-form", "end-form", "keep-form"];
  at("language-form").addEventListener("submit", (event) => {
    const carried = event.target.elements.asked;
    const held = { unsaved, by: at("by").value, version: course && course.version, ending: at("ending").open };
    for (const name of typed) held[name] = values(at(name));
    carried.value = JSON.stringify({ ...JSON.parse(carried.value), book: held });
    unsaved = false;
  });

  async function carry(held) {
    at("by").value = held.by;
    if (held.version !== null) {
      course = { course: hidden("course").value, version: held.version };
      const found = await send("open", at("open-form"), { chosen: course.course });
      if (found) found.version = held.version;  // what others wrote meanwhile is told as ever
      else leave(false);
    }
    for (const name of typed) fill(at(name), held[name]);
    at("ending").open = held.ending;
    unsaved = held.unsaved;
  }

  const carried = document.querySelector("main").dataset.carried;
  if (carried) carry(JSON.parse(carried).book);
})();
