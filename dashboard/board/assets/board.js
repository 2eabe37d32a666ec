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

  function go(search, replaced = false) {
    if (search === window.location.search) return;
    const there = window.location.pathname + search;
    if (replaced) window.history.replaceState(window.history.state, "", there);
    else window.history.pushState({}, "", there);
    // dcc.Location listens for the event that dcc.Link sends
    window.dispatchEvent(new CustomEvent("_dashprivate_pushstate"));
  }

  document.addEventListener("change", function (event) {
    if (!event.target.name || !event.target.closest(STATE)) return;
    const emptied = (event.target.dataset.resets || "").split(" ");
    for (const field of fields()) {
      if (emptied.includes(field.name)) field.value = "";
    }
    follow();
    go(told());
  });

  // a slider and its number: what is dragged is written into the field and into the address, and
  // read out with its unit; what is typed moves the slider
  let waiting = 0;

  function readOut(slide, text) {
    slide.setAttribute("aria-valuetext", `${text} ${slide.dataset.unit || ""}`.trim());
  }

  function follow() {
    for (const slide of document.querySelectorAll("[data-for]")) {
      const text = document.getElementById(slide.dataset.for)?.value;
      const number = Number(text);
      if (!text || !Number.isFinite(number)) continue;
      slide.value = slide.dataset.scale === "log" ? Math.log10(number) : number;
      readOut(slide, text);
    }
  }

  document.addEventListener("input", function (event) {
    const slide = event.target.closest("[data-for]");
    if (!slide) return;
    const at = Number(slide.value);
    const number = slide.dataset.scale === "log" ? 10 ** at : at;
    const text = String(Number(number.toPrecision(number < 1000 ? 3 : 4)));
    document.getElementById(slide.dataset.for).value = text;
    readOut(slide, text);
    window.clearTimeout(waiting);
    waiting = window.setTimeout(() => go(told(), true), 80);
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
    followAddress();
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

  // back, forward and links: the fields follow the address
  function followAddress() {
    const search = new URLSearchParams(window.location.search);
    for (const field of fields()) {
      field.value = search.get(field.name) ?? field.dataset.usual ?? "";
    }
    follow();
  }
  window.addEventListener("popstate", followAddress);

  // what somebody writes stands in the browser alone until a button asks for it
  function written(clicks) {
    const field = document.getElementById("drop-setup");
    return clicks && field ? { clicks, text: field.value } : window.dash_clientside.no_update;
  }

  function note(clicks) {
    const text = document.getElementById("live-note")?.value;
    return clicks && text ? { clicks, text } : window.dash_clientside.no_update;
  }

  function noted(asked) {
    const field = document.getElementById("live-note");
    if (asked && field?.value.startsWith(asked.text)) {
      field.value = field.value.slice(asked.text.length);
    }
    return window.dash_clientside.no_update;
  }

  document.addEventListener("keydown", function (event) {
    if (event.key !== "Enter" || event.target.id !== "live-note") return;
    document.getElementById("live-note-it").click();
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

  // The upload's own field has no name, and stands beside the button that opens it.
  new MutationObserver(function () {
    fold(document);
    // the answer that came with the page has been taken over
    if (document.querySelector("#page h1")) document.getElementById("first")?.remove();
    if (document.querySelector("[data-for]:not([aria-valuetext])")) follow();
    for (const field of document.querySelectorAll(".drop input[type=file]:not([aria-label])")) {
      field.setAttribute("aria-label", "Files of a run");
      field.tabIndex = -1;
    }
  }).observe(document, { childList: true, subtree: true });

  window.dash_clientside = Object.assign({}, window.dash_clientside, {
    board: { rewrite, written, note, noted },
  });
})();
