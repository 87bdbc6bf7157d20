// Nothing depends on this: it moves the reader to what is wrong, and keeps a form from being sent twice by a double click.
"use strict";
const wrong = document.getElementById("wrong");
if (wrong) wrong.focus();
for (const form of document.querySelectorAll('form[method="post"]')) {
  let sent = false;
  form.addEventListener("submit", (event) => {
    if (sent) event.preventDefault();
    sent = true;
  });
}
window.addEventListener("pageshow", (event) => {
  if (event.persisted) window.location.reload();
});
