// Curves and control charts, drawn by BokehJS, which is fetched from this daemon only on the pages that draw.

let loading = null;

/** BokehJS's Plotting and models: fetched once. Rejects with a sentence where it cannot be had. */
export function charts() {
  loading ??= ["bokeh.min.js", "bokeh-api.min.js"].reduce((before, name) => before.then(() => script(`/page/charts/${name}`)), Promise.resolve()).then(() => {
    globalThis.Bokeh.logger?.set_level?.("warn");
    return globalThis.Bokeh;
  });
  return loading;
}

function script(place) {
  return new Promise((done, fail) => {
    const made = document.createElement("script");
    made.src = place;
    made.onload = done;
    made.onerror = () => fail(new Error("The charts' library cannot be had from the daemon: install benchd again with its packages."));
    document.head.append(made);
  });
}

/** A colour of the page's own look, as it is now. */
export function colour(name) {
  return getComputedStyle(document.documentElement).getPropertyValue(`--${name}`).trim();
}
