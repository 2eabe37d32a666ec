// What Dash asks for once its scripts are there is asked for before them: this page as it shall
// stand, and what listens to what. It stands in the page's head itself, and nothing waits for it.
(function () {
  const plain = window.fetch.bind(window);
  const at = encodeURIComponent(window.location.pathname + window.location.search);
  const asked = {};
  for (const [path, search] of [["/_dash-layout", `?at=${at}`], ["/_dash-dependencies", ""]]) {
    asked[path] = plain(path + search);
    asked[path].catch(() => {}); // whoever takes the answer hears of it
  }
  window.fetch = function (what, ...how) {
    const early = asked[what];
    delete asked[what];
    return early || plain(what, ...how);
  };
})();
