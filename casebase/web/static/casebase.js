/* Comfort only: every page does all of this without a script too. */
"use strict";
(() => {
  const each = (what, act) => document.querySelectorAll(what).forEach(act);

  // "/" goes to the box, unless something is being typed.
  document.addEventListener("keydown", (event) => {
    const typing = /^(INPUT|TEXTAREA|SELECT)$/.test(document.activeElement?.tagName ?? "");
    const box = document.querySelector("[data-slash]");
    if (event.key === "/" && !typing && !event.ctrlKey && !event.metaKey && !event.altKey && box) {
      event.preventDefault();
      box.focus();
      box.select();
    }
  });
  // Enter asks; where it would write, or notes go over several lines, it stays a new line.
  each("textarea[data-enter]", (box) => box.addEventListener("keydown", (event) => {
    if (event.key === "Enter" && !event.shiftKey && !event.isComposing) {
      event.preventDefault();
      box.form.requestSubmit();
    }
  }));

  // A slider beside a figure; the figure stays the one that is sent.
  each("input[data-slide]", (input) => {
    const [min, max, step] = input.dataset.slide.split(" ");
    const slide = document.createElement("input");
    const label = document.querySelector(`label[for="${input.id}"]`);
    Object.assign(slide, { type: "range", min, max, step, value: input.value || input.placeholder || min });
    slide.setAttribute("aria-label", `${label.textContent}, slider`);
    slide.addEventListener("input", () => {
      input.value = slide.value;
      input.dispatchEvent(new Event("input", { bubbles: true }));
    });
    input.addEventListener("input", () => { if (input.value) slide.value = input.value; });
    input.after(slide);
  });

  // Results while typing: the same page, fetched once the typing rests, and its answer put in place.
  each("form[data-live]", (form) => {
    let waiting = 0, asked = 0;
    const box = form.querySelector("textarea, input");
    form.addEventListener("input", () => {
      clearTimeout(waiting);
      waiting = setTimeout(async () => {
        if (!/[\p{L}\p{N}]{3}/u.test(box.value)) return;
        const mine = ++asked;
        const places = form.dataset.live.split(" ");
        const fields = new URLSearchParams(new FormData(form));
        const busy = (is) => places.forEach((id) => document.getElementById(id)?.toggleAttribute("data-busy", is));
        busy(true);
        try {
          const answer = await fetch(`${form.action}?${fields}`, { headers: { Accept: "text/html" } });
          const page = new DOMParser().parseFromString(await answer.text(), "text/html");
          if (mine === asked) places.forEach((id) => {
            const found = page.getElementById(id);
            if (found) document.getElementById(id)?.replaceWith(document.adoptNode(found));
          });
        } catch { /* no network just now: the button still asks */ }
        busy(false);
      }, 450);
    });
  });

  each("[data-copy]", (button) => {
    const text = document.getElementById(button.dataset.copy), name = button.textContent;
    button.hidden = false;
    button.addEventListener("click", async () => {
      text.select();
      try { await navigator.clipboard.writeText(text.value); } catch { document.execCommand("copy"); }
      button.textContent = "Copied";
      setTimeout(() => { button.textContent = name; }, 2000);
    });
  });
  each("[data-print]", (button) => {
    button.hidden = false;
    button.addEventListener("click", () => window.print());
  });
})();
