// A slider's figure while it moves, and the form sent once it rests. The pages
// work without this file.
"use strict";
for (const form of document.querySelectorAll("form[data-sliders]")) {
  // Keys move a slider a step at a time: wait until it rests.
  const rest = 700;
  let timer = 0;
  form.addEventListener("input", (e) => {
    const now = document.getElementById(e.target.id + "-now");
    if (now) now.value = e.target.value;
    clearTimeout(timer);
  });
  form.addEventListener("change", (e) => {
    clearTimeout(timer);
    timer = setTimeout(() => {
      sessionStorage.setItem("turned", e.target.id);
      form.action = form.action.split("#")[0]; // a fragment would take the focus away again
      form.requestSubmit();
    }, rest);
  });
}
// The page comes back with what would change at its head, and the hand where it
// was.
const turned = document.getElementById(sessionStorage.getItem("turned") || "");
if (turned) {
  document.getElementById("what-if").scrollIntoView();
  turned.focus({ preventScroll: true });
}
sessionStorage.removeItem("turned");
// What is folded away on the screen is printed, but for what is not for paper; a
// browser that folds by another rule than the style sheet's is told here.
const folded = "details:not([open], .no-print)";
let opened = [];
addEventListener("beforeprint", () => {
  opened = [...document.querySelectorAll(folded)];
  for (const d of opened) d.open = true;
});
addEventListener("afterprint", () => {
  for (const d of opened) d.open = false;
  opened = [];
});
// A form of something that is written down goes once, however often it is pressed.
for (const form of document.querySelectorAll("form[method=post]")) {
  form.addEventListener("submit", () => {
    for (const b of form.querySelectorAll("button")) setTimeout(() => { b.disabled = true; }, 0);
  });
}
