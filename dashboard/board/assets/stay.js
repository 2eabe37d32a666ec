// What stays when Dash makes a part of a page anew: it takes the old elements away whole, with what
// somebody was writing in them, and puts others with the same ids in their place.
(function () {
  let used = null;  // the element that has, or last had, the focus

  function stay(old) {
    const made = document.getElementById(old.id);
    if (!made || made === old || made.tagName !== old.tagName) return;
    const here = old === used && document.activeElement === document.body;
    // what was written of one run is not of another
    if ((made.dataset.of || "") === (old.dataset.of || "")) {
      if (made.tagName === "DETAILS") made.open = old.open;
      const same = made.defaultValue === old.defaultValue;
      if (made.matches("input[type=text], textarea") && (here || same)) made.value = old.value;
    }
    if (!here) return;
    made.focus({ preventScroll: true });
    used = made;
    if (made.matches("input[type=text], textarea")) {
      made.setSelectionRange(old.selectionStart, old.selectionEnd);
    }
  }

  document.addEventListener("focusin", function (event) { used = event.target; });

  new MutationObserver(function (changes) {
    for (const change of changes) {
      for (const gone of change.removedNodes) {
        if (gone.nodeType !== Node.ELEMENT_NODE || gone.isConnected) continue;
        if (gone.id) stay(gone);
        for (const old of gone.querySelectorAll("[id]")) stay(old);
      }
    }
  }).observe(document, { childList: true, subtree: true });
})();
