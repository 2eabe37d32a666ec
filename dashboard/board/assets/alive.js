// Whether the board still answers. Where it does not, this is said, what would ask it is locked, and
// both end by themselves when it is back: rows must not stay under a choice they do not belong to.
(function () {
  const EVERY_MS = 1000, PATIENCE_MS = 1500;
  const ASKS = "main select, main input, main textarea, main button";
  const SAID = "The board does not answer. What stands here may be old; the controls are locked " +
    "until it is back, which this page sees by itself.";
  let locked = null, missed = false;

  function gone() {
    if (locked) return;
    locked = Array.from(document.querySelectorAll(ASKS)).filter((each) => !each.disabled);
    for (const each of locked) each.disabled = true;
    const said = document.createElement("p");
    said.id = "board-gone";
    said.className = "gone";
    said.setAttribute("role", "alert");
    said.textContent = SAID;
    document.body.prepend(said);
  }

  function back() {
    if (!locked) return;
    for (const each of locked) each.disabled = false;
    locked = null;
    document.getElementById("board-gone").remove();
    // what was asked meanwhile got no answer; the address holds the page's state. A set-up that is
    // being written stands nowhere else.
    if (missed && !document.querySelector("#drop-draft:not([hidden])")) window.location.reload();
    missed = false;
  }

  const plain = window.fetch.bind(window);
  window.fetch = function (...asked) {
    return plain(...asked).catch(function (error) {
      if (error instanceof TypeError) {
        missed = true;
        gone();
      }
      throw error;
    });
  };

  async function look() {
    if (!document.hidden) {
      try {
        await plain("/favicon.ico", { method: "HEAD", cache: "no-store" });
        back();
      } catch {
        gone();
      }
    }
    window.setTimeout(look, locked ? EVERY_MS : PATIENCE_MS);
  }
  window.setTimeout(look, PATIENCE_MS);
})();
