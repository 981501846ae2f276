// Small helps only: every page works without this file, save for drag and drop and charts.
"use strict";

function eachOf(selector, act) {
  for (const node of document.querySelectorAll(selector)) act(node);
}

// Dropping a file on the box fills its input, so the form is sent the same way.
eachOf("[data-drop]", (box) => {
  const input = box.querySelector("input[type=file]");
  const said = box.querySelector("[data-said]");
  const tell = () => {
    const names = Array.from(input.files, (f) => f.name);
    if (said) said.textContent = names.length ? names.join(", ") : "";
  };
  input.addEventListener("change", tell);
  for (const kind of ["dragenter", "dragover"]) {
    box.addEventListener(kind, (e) => { e.preventDefault(); box.classList.add("over"); });
  }
  box.addEventListener("dragleave", () => box.classList.remove("over"));
  box.addEventListener("drop", (e) => {
    e.preventDefault();
    box.classList.remove("over");
    if (e.dataTransfer.files.length) {
      input.files = e.dataTransfer.files;
      tell();
      input.focus();
    }
  });
});

// A second press must not send a form twice.
eachOf("form[method=post]", (form) => {
  form.addEventListener("submit", () => {
    for (const button of form.querySelectorAll("button")) {
      if (button.dataset.busy) button.textContent = button.dataset.busy;
      window.setTimeout(() => { button.disabled = true; }, 0);
    }
  });
});
// Coming back with the browser's own button must not find them dead.
window.addEventListener("pageshow", (e) => {
  if (e.persisted) eachOf("form button", (b) => { b.disabled = false; });
});

eachOf("[data-print]", (button) => button.addEventListener("click", () => window.print()));
