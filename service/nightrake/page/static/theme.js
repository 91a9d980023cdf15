// Before the first paint: light, dark, or as the device has it. Kept on this device only.
"use strict";
{
  let kept = "";
  try { kept = localStorage.getItem("theme") || ""; } catch { /* a device that keeps nothing */ }
  if (kept === "light" || kept === "dark") document.documentElement.dataset.theme = kept;
}
