// What only the browser can do. The address is a page's state: a form of the class "state" writes
// its fields there, and the page's callbacks read the address and nothing else.
(function () {
  const STATE = "form.state, .of-state";

  function fields() {
    return Array.from(document.querySelectorAll(STATE))
      .flatMap((part) => Array.from(part.querySelectorAll("[name]")));
  }

  function told() {
    const search = new URLSearchParams();
    for (const field of fields()) {
      if (field.value !== "" && field.value !== (field.dataset.usual || "")) {
        search.append(field.name, field.value);
      }
    }
    const text = search.toString();
    return text ? "?" + text : "";
  }

  function go(search) {
    if (search === window.location.search) return;
    window.history.pushState({}, "", window.location.pathname + search);
    // dcc.Location listens for the event that dcc.Link sends
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }

  document.addEventListener("change", function (event) {
    if (!event.target.name || !event.target.closest(STATE)) return;
    const emptied = (event.target.dataset.resets || "").split(" ");
    for (const field of fields()) {
      if (emptied.includes(field.name)) field.value = "";
    }
    go(told());
  });

  document.addEventListener("submit", function (event) {
    if (!event.target.classList.contains("state")) return;
    event.preventDefault();
    go(told());
  });

  // links to another state of the same page
  document.addEventListener("click", function (event) {
    const link = event.target.closest("a.same-page");
    if (!link || event.ctrlKey || event.metaKey || event.shiftKey) return;
    event.preventDefault();
    go(link.search);
  });

  // the address is the page; the clipboard takes it only where the page came safely
  document.addEventListener("click", async function (event) {
    const button = event.target.closest(".copy-link");
    if (!button) return;
    const said = button.textContent;
    try {
      await navigator.clipboard.writeText(window.location.href);
      button.textContent = "Copied";
    } catch {
      button.textContent = "Take it from the address bar";
    }
    window.setTimeout(() => { button.textContent = said; }, 3000);
  });

  // what is chosen now and then is folded away on a phone
  const narrow = window.matchMedia("(max-width: 760px)");

  function fold(part) {
    for (const each of part.querySelectorAll("details.fold:not([data-folded])")) {
      each.dataset.folded = "";
      each.open = !narrow.matches;
    }
  }

  // back and forward: the fields follow the address
  window.addEventListener("popstate", function () {
    const search = new URLSearchParams(window.location.search);
    for (const field of fields()) {
      field.value = search.get(field.name) ?? field.dataset.usual ?? "";
    }
  });

  // a zoom is no new entry in the browser's history
  function rewrite(zoomed) {
    if (zoomed) {
      window.history.replaceState(
        window.history.state, "", window.location.pathname + zoomed.search);
      for (const name of ["from", "to"]) {
        for (const field of fields()) if (field.name === name) field.value = zoomed[name];
      }
    }
    return window.dash_clientside.no_update;
  }

  // Plots keep their size in pixels; on paper they shrink to its width as drawings do.
  window.addEventListener("beforeprint", function () {
    for (const drawing of document.querySelectorAll(".js-plotly-plot .main-svg")) {
      const width = drawing.getAttribute("width"), height = drawing.getAttribute("height");
      drawing.setAttribute("viewBox", `0 0 ${width} ${height}`);
      drawing.closest(".svg-container").style.aspectRatio = `${width} / ${height}`;
    }
  });

  // The upload's own field has no name, and stands beside the button that opens it; what is dragged
  // on a slider has none either, but the group it stands in has.
  new MutationObserver(function () {
    fold(document);
    for (const thumb of document.querySelectorAll("[role=slider]:not([aria-labelledby])")) {
      const group = thumb.closest("[role=group][aria-labelledby]");
      if (group) thumb.setAttribute("aria-labelledby", group.getAttribute("aria-labelledby"));
    }
    for (const field of document.querySelectorAll(".drop input[type=file]:not([aria-label])")) {
      field.setAttribute("aria-label", "Files of a run");
      field.tabIndex = -1;
    }
  }).observe(document, { childList: true, subtree: true });

  window.dash_clientside = Object.assign({}, window.dash_clientside, { board: { rewrite } });
})();
