// Asked before anything else has loaded, so that the answer is there when the page can show it.
window.firstStatus = fetch("/api/status", { cache: "no-store" }).catch(() => null);
