// The terminal itself is textual.js. Here: where its socket is, and what fingers need.
"use strict";

const terminal = document.getElementById("terminal");
terminal.dataset.sessionWebsocketUrl = location.origin.replace(/^http/, "ws") + "/ws";

// A tap must not bring up the keyboard over half of the screen; its button does.
const touched = matchMedia("(pointer: coarse)").matches;
const typed = () => terminal.querySelector("textarea");
addEventListener("load", () => {
  if (touched) typed().inputMode = "none";
  new MutationObserver((_, watching) => {
    if (!document.body.classList.contains("-loaded")) return;
    watching.disconnect();
    typed().focus();
  }).observe(document.body, { attributeFilter: ["class"] });
});
document.getElementById("keyboard").addEventListener("click", () => {
  typed().inputMode = typed().inputMode === "none" ? "text" : "none";
  typed().blur();
  typed().focus();
});

// A finger that is drawn over a list scrolls it as a wheel would.
const STEP = 24;
let from = null;
terminal.addEventListener("touchstart", (event) => { from = event.touches[0].clientY; }, { passive: true });
terminal.addEventListener("touchmove", (event) => {
  const { clientX, clientY, target } = event.touches[0];
  const steps = Math.trunc((from - clientY) / STEP);
  from -= steps * STEP;
  for (let step = 0; step < Math.abs(steps); step += 1) {
    const deltaY = Math.sign(steps);
    target.dispatchEvent(new WheelEvent("wheel", {
      deltaY, deltaMode: WheelEvent.DOM_DELTA_LINE, clientX, clientY, bubbles: true, cancelable: true,
    }));
  }
}, { passive: true });
