// Before anything is drawn: the light and the size that this device was set to, so that nothing flashes.
"use strict";
(() => {
  let kept = {};
  try {
    kept = JSON.parse(localStorage.getItem("benchd.look") || "{}");
  } catch {
    kept = {};
  }
  const root = document.documentElement;
  root.dataset.light = ["dark", "bright"].includes(kept.light) ? kept.light : "auto";
  root.dataset.celsius = kept.celsius === "F" ? "F" : "C";
})();
