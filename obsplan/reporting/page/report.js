"use strict";
const slots = [...document.querySelectorAll("button.slot")];
const told = document.getElementById("told");
let chosen = null;

function tell(slot) {
  if (chosen) chosen.classList.remove("chosen");
  chosen = slot;
  slot.classList.add("chosen");
  told.textContent = slot.getAttribute("aria-label");
}

// One slot is in the order of Tab; arrow keys go on from it, along its lane or to the next.
function enter(slot) {
  for (const other of slots) other.tabIndex = other === slot ? 0 : -1;
}

slots.forEach((slot, k) => {
  slot.addEventListener("mouseenter", () => tell(slot));
  slot.addEventListener("click", () => { enter(slot); tell(slot); });
  slot.addEventListener("focus", () => { enter(slot); tell(slot); });
  slot.addEventListener("keydown", (event) => {
    const lane = slot.parentElement;
    const to = {
      ArrowRight: slots[k + 1],
      ArrowLeft: slots[k - 1],
      ArrowDown: slots.slice(k).find((other) => other.parentElement !== lane),
      ArrowUp: slots.slice(0, k).reverse().find((other) => other.parentElement !== lane),
      Home: slots[0],
      End: slots[slots.length - 1],
    }[event.key];
    if (to) { event.preventDefault(); to.focus(); }
  });
});
if (slots.length) enter(slots[0]);

// Where the field is wider than its frame, what is to come is seen first.
const now = document.querySelector(".now");
if (now) {
  const frame = now.closest(".scroll");
  frame.scrollLeft = now.offsetLeft - frame.clientWidth / 4;
}
addEventListener("beforeprint", () => {
  for (const folded of document.querySelectorAll("details")) folded.open = true;
});
