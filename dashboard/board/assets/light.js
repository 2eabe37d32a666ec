// Elements of light parts (see light.py): known tags, known attributes, texts as texts.
(function () {
  const TAGS = new Set(("a button caption details div em fieldset h2 h3 img input label li nav ol option p " +
    "section select small span strong summary table tbody td textarea th thead tr ul").split(" "));
  const ATTRIBUTES = new Set(("alt aria-current aria-label autocomplete class colspan data-for data-resets data-scale " +
    "data-of data-unit data-usual disabled download for height id inputmode max maxlength min name role " +
    "scope selected spellcheck step style tabindex title type value width").split(" "));

  function build(node) {
    if (!Array.isArray(node)) return document.createTextNode(node);
    const [tag, attributes, ...children] = node;
    if (!TAGS.has(tag)) return document.createTextNode("");
    const made = document.createElement(tag);
    for (const [name, value] of Object.entries(attributes)) {
      if (ATTRIBUTES.has(name)) made.setAttribute(name, value === true ? "" : value);
      // links stay on this board, pictures come with the page
      else if (name === "href" && /^\/(?!\/)/.test(value)) made.setAttribute("href", value);
      else if (name === "src" && value.startsWith("data:image/svg+xml,")) made.src = value;
    }
    for (const child of children) made.append(build(child));
    return made;
  }

  function fill(part) {
    const tree = part.dataset.tree;
    if (part.lightTree === tree) return;
    part.lightTree = tree;
    part.replaceChildren(build(JSON.parse(tree)));
  }

  new MutationObserver(function (changes) {
    for (const change of changes) {
      if (change.type === "attributes") fill(change.target);
      for (const added of change.addedNodes) {
        if (added.nodeType !== Node.ELEMENT_NODE) continue;
        if (added.matches("[data-tree]")) fill(added);
        for (const part of added.querySelectorAll("[data-tree]")) fill(part);
      }
    }
  }).observe(document, {
    childList: true, subtree: true, attributes: true, attributeFilter: ["data-tree"],
  });
})();
