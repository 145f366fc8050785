// Comfort on top of plain pages: live figures, single keys, finding links, dropping files.
"use strict";

(() => {
  const byId = (id) => document.getElementById(id);
  const body = document.body;

  // --- tables larger than their frame can be scrolled by keyboard, and only those take the focus
  const widths = new ResizeObserver((seen) => {
    for (const { target } of seen) {
      if (target.scrollWidth > target.clientWidth || target.scrollHeight > target.clientHeight) {
        target.tabIndex = 0;
        target.setAttribute("role", "region");
        target.setAttribute("aria-label", "Table, larger than its frame");
      } else {
        for (const name of ["tabindex", "role", "aria-label"]) target.removeAttribute(name);
      }
    }
  });
  const watchWidth = (part) => {
    for (const table of part.querySelectorAll(".wide")) widths.observe(table);
  };
  watchWidth(document);

  // --- live figures: the desk says when the store has changed; parts of this page are fetched anew
  let mark = body.dataset.mark;
  let busy = "[]";
  let ports;
  let fetching = false;
  let again = false;

  const liveIds = (whole) => [...whole.querySelectorAll("[data-live]")].map((part) => part.id).join();
  const place = (old, fresh) => {
    const placed = document.importNode(fresh, true);
    old.replaceWith(placed);
    watchWidth(placed);
  };

  const left = () => setTimeout(refresh);

  async function refresh() {
    if (!document.querySelector("[data-live]")) return;
    // news during a fetch may have come too late for it
    again = fetching;
    if (fetching) return;
    fetching = true;
    try {
      const answer = await fetch(location.href, { headers: { accept: "text/html", "x-part": "live" } });
      if (!answer.ok || answer.redirected) return;
      const fresh = new DOMParser().parseFromString(await answer.text(), "text/html");
      mark = fresh.body.dataset.mark;
      // where parts came or went, the whole around them is laid anew
      for (const whole of fresh.querySelectorAll("[data-parts]")) {
        const old = byId(whole.id);
        if (!old || old.contains(document.activeElement) || liveIds(old) === liveIds(whole)) continue;
        place(old, whole);
      }
      let kept = false;
      // from the end, as whether figures are old is said above them
      for (const part of [...fresh.querySelectorAll("[data-live]")].reverse()) {
        const old = byId(part.id);
        // what somebody is using stays as it is until they leave it
        if (part.hasAttribute("data-keep") && !part.children.length) continue;
        if (!old || old.innerHTML === part.innerHTML) continue;
        if (old.contains(document.activeElement)) {
          kept = true;
          continue;
        }
        if (part.id === "behind" && kept) continue;
        for (const opened of old.querySelectorAll("details[open][id]")) {
          const same = part.querySelector("#" + CSS.escape(opened.id));
          if (same) same.open = true;
        }
        part.classList.add("changed");
        place(old, part);
      }
      if (kept) document.addEventListener("focusout", left, { once: true });
    } catch {
      // the line is lost; the event source says so
    } finally {
      fetching = false;
      if (again) refresh();
    }
  }

  if (mark !== undefined && window.EventSource) {
    const line = new EventSource("/events");
    const lost = byId("lost");
    line.addEventListener("state", (event) => {
      const state = JSON.parse(event.data);
      const now = JSON.stringify(state.busy);
      const heard = state.ports !== ports && byId("ports");
      ports = state.ports;
      if (state.mark !== mark || now !== busy || heard) {
        busy = now;
        refresh();
      }
    });
    line.addEventListener("open", () => { lost.hidden = true; });
    line.addEventListener("error", () => {
      if (!lost.hidden) return;
      byId("lost-at").textContent = new Date().toLocaleTimeString([], { hour: "2-digit", minute: "2-digit" });
      lost.hidden = false;
    });
    window.addEventListener("pagehide", () => line.close());
  }

  // --- single keys, off in fields and wherever somebody switched them off (WCAG 2.2, 2.1.4)
  const off = byId("keys-off");
  const isOff = () => localStorage.getItem("keys") === "off";
  if (off) {
    off.checked = isOff();
    off.addEventListener("change", () => localStorage.setItem("keys", off.checked ? "off" : "on"));
  }
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey || isOff()) return;
    const field = event.target.closest("input:not([type=checkbox]), textarea, select");
    if (field) {
      if (event.key === "Escape") field.blur();
      return;
    }
    const key = event.key.toLowerCase();
    if (!/^[a-z1-9]$/.test(key)) return;
    const target = document.querySelector(`[data-keys~="${key}"]`)
      || (key === "n" && byId("begin"));
    if (!target) return;
    event.preventDefault();
    if (target.tagName === "SUMMARY") {
      const details = target.parentElement;
      details.open = true;
      const first = details.querySelector("input");
      if (first) first.focus();
    } else {
      target.click();
    }
  });

  // --- one press, one answer
  for (const form of document.querySelectorAll("form[method=post]")) {
    form.addEventListener("submit", () => {
      form.setAttribute("aria-busy", "true");
      setTimeout(() => {
        for (const button of form.querySelectorAll("button")) button.disabled = true;
      });
    });
  }
  window.addEventListener("pageshow", (event) => {
    if (!event.persisted) return;
    for (const button of document.querySelectorAll("form[method=post] button")) button.disabled = false;
  });

  // --- find a link while typing
  for (const field of document.querySelectorAll("input[data-find]")) {
    const list = byId(field.getAttribute("aria-controls"));
    let chosen = -1;
    let asked = 0;

    const close = () => {
      list.hidden = true;
      list.replaceChildren();
      chosen = -1;
      field.setAttribute("aria-expanded", "false");
      field.removeAttribute("aria-activedescendant");
    };
    const take = (item) => {
      field.value = item.dataset.link;
      close();
    };
    const point = (to) => {
      const items = [...list.children];
      if (!items.length) return;
      chosen = (to + items.length) % items.length;
      items.forEach((item, n) => item.setAttribute("aria-selected", String(n === chosen)));
      items[chosen].scrollIntoView({ block: "nearest" });
      field.setAttribute("aria-activedescendant", items[chosen].id);
    };

    field.addEventListener("input", async () => {
      const mine = ++asked;
      const typed = field.value.trim();
      if (!typed) return close();
      const answer = await fetch(`${field.dataset.find}?q=${encodeURIComponent(typed)}`);
      const found = answer.ok ? await answer.json() : [];
      if (mine !== asked || document.activeElement !== field) return;
      close();
      for (const [n, link] of found.entries()) {
        const item = document.createElement("li");
        item.id = `${list.id}-${n}`;
        item.setAttribute("role", "option");
        item.setAttribute("aria-selected", "false");
        item.dataset.link = link.link_id;
        item.textContent = link.far_end ? `${link.link_id} to ${link.far_end}` : link.link_id;
        item.addEventListener("mousedown", (event) => {
          event.preventDefault();
          take(item);
        });
        list.append(item);
      }
      list.hidden = !found.length;
      field.setAttribute("aria-expanded", String(!!found.length));
      if (found.length) point(0);
    });
    field.addEventListener("keydown", (event) => {
      if (event.key === "ArrowDown") point(chosen + 1);
      else if (event.key === "ArrowUp") point(chosen - 1);
      else if (event.key === "Escape" && !list.hidden) close();
      else if (event.key === "Enter") {
        // Enter takes the pointed link, then places there; never the proposal above
        event.preventDefault();
        if (!list.hidden && chosen >= 0) take(list.children[chosen]);
        else field.form.querySelector("button[value=link]").click();
        return;
      } else return;
      event.preventDefault();
    });
    field.addEventListener("blur", close);
  }

  // --- drop files anywhere on the intake box
  const drop = byId("drop");
  if (drop) {
    const files = byId("dumps");
    for (const name of ["dragenter", "dragover"]) {
      drop.addEventListener(name, (event) => {
        event.preventDefault();
        drop.classList.add("over");
      });
    }
    drop.addEventListener("dragleave", () => drop.classList.remove("over"));
    drop.addEventListener("drop", (event) => {
      event.preventDefault();
      drop.classList.remove("over");
      if (!event.dataTransfer.files.length) return;
      files.files = event.dataTransfer.files;
      drop.requestSubmit();
    });
  }

  const print = byId("print");
  if (print) {
    print.hidden = false;
    print.addEventListener("click", () => window.print());
  }
})();
