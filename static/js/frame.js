// Small comforts of every page. Everything works without them.
"use strict";

// A print button is shown only where a script can print.
function showPrintButtons(root) {
  for (const button of root.querySelectorAll("[data-print]")) button.hidden = false;
}

// After a form came back with errors, the first field that needs a change gets the focus.
function focusFirstError(root) {
  const field = root.querySelector("[aria-invalid=true], .field-bad input");
  if (field) field.focus();
}

document.addEventListener("click", (event) => {
  if (event.target.closest("[data-print]")) window.print();
});

document.addEventListener("DOMContentLoaded", () => {
  showPrintButtons(document);
  focusFirstError(document);
});

document.addEventListener("htmx:load", (event) => showPrintButtons(event.target));

document.addEventListener("htmx:afterSwap", (event) => {
  const answer = event.detail.xhr;
  if (answer && answer.status === 422) focusFirstError(event.detail.target);
});

// Say so when the computer that runs Keyslip does not answer, and take it back once it does.
function sayNoAnswer(isMissing) {
  const notice = document.getElementById("no-answer");
  if (notice) notice.hidden = !isMissing;
}
document.addEventListener("htmx:sendError", () => sayNoAnswer(true));
document.addEventListener("htmx:responseError", () => sayNoAnswer(true));
document.addEventListener("htmx:afterRequest", (event) => {
  if (event.detail.successful) sayNoAnswer(false);
});
