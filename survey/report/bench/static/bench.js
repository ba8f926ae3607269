// Numbers to try become sliders: their figure shows while they move, and the form is
// sent once they rest. The pages work without this file.
"use strict";
for (const form of document.querySelectorAll("form[data-sliders]")) {
  // Keys move a slider a step at a time: wait until it rests.
  const rest = 700;
  let timer = 0;
  for (const knob of form.querySelectorAll("input[type=number]")) {
    knob.type = "range";
    document.getElementById(knob.id + "-now").hidden = false;
  }
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
  // Once the font is there: it moves what stands above.
  document.fonts.ready.then(() => {
    document.getElementById("what-if").scrollIntoView();
    turned.focus({ preventScroll: true });
  });
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
// A form of something that is written down goes once, however often it is pressed. A
// page that is shown again as it was left, by the way back, is old by then.
let sent = false;
const buttons = (form, off) => { for (const b of form.querySelectorAll("button")) b.disabled = off; };
for (const form of document.querySelectorAll("form[method=post]")) {
  form.addEventListener("submit", () => {
    sent = true;
    setTimeout(() => buttons(form, true), 0);
  });
}
addEventListener("pageshow", (e) => {
  if (!e.persisted || !sent) return;
  sent = false;
  for (const form of document.querySelectorAll("form[method=post]")) buttons(form, false);
  if (!document.querySelector(".problem")) location.reload(); // else it is an answer to a form, and would send it again
});
// A picture that does not show leads to the page that says why.
for (const img of document.querySelectorAll(".pictures img")) {
  const gone = () => img.replaceWith("This picture is not here yet: look why");
  if (img.complete && !img.naturalWidth) gone();
  else img.addEventListener("error", gone);
}
