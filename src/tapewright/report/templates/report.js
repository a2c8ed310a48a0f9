"use strict";
// Draws each figure from the data beside it, and keeps those along time on the same stretch of tape.
(() => {
  const plots = [...document.querySelectorAll(".plot")];
  // On a touch screen a finger scrolls the page; the buttons over a figure still zoom.
  const touch = window.matchMedia("(hover: none)").matches;
  const settings = JSON.parse(document.getElementById("plot-settings").textContent);
  settings.displayModeBar = touch ? true : "hover";
  for (const plot of plots) {
    const figure = JSON.parse(document.getElementById(plot.id.replace("plot-", "data-")).textContent);
    if (touch) {
      figure.layout.dragmode = false;
      figure.layout.margin.t = Math.max(figure.layout.margin.t, 36); // room for the buttons
    }
    Plotly.newPlot(plot, figure.data, figure.layout, settings);
    plot.style.minHeight = "";
  }

  const alongTime = plots.filter((plot) => "alongTime" in plot.dataset);
  const whole = alongTime.length ? [...alongTime[0].layout.xaxis.range] : null;
  let following = false;
  for (const plot of alongTime) {
    Plotly.relayout(plot, { "xaxis.range": [...whole] });
    plot.on("plotly_relayout", (change) => {
      if (following) return;
      const reset = change["xaxis.autorange"];
      if (!reset && change["xaxis.range[0]"] === undefined && !change["xaxis.range"]) return;
      const range = reset ? whole : change["xaxis.range"] ?? [change["xaxis.range[0]"], change["xaxis.range[1]"]];
      following = true;
      const others = reset ? alongTime : alongTime.filter((other) => other !== plot);
      Promise.all(others.map((other) => Plotly.relayout(other, { "xaxis.range": [...range] })))
        .finally(() => { following = false; });
    });
  }

  // What a byte's title says is told in a line as well, for fingers, and for the keyboard: arrow keys go from
  // byte to byte.
  const bytes = document.getElementById("bytes");
  const told = document.getElementById("told");
  let chosen = null;
  const tell = (byte) => {
    chosen?.classList.remove("chosen");
    chosen = byte;
    byte.classList.add("chosen");
    told.textContent = byte.title;
    told.hidden = false;
  };
  if (told) {
    bytes.addEventListener("click", (event) => {
      const byte = event.target.closest(".half b[title]");
      if (byte) tell(byte);
    });
    document.getElementById("dumps").addEventListener("keydown", (event) => {
      const step = { ArrowLeft: -1, ArrowRight: 1, ArrowUp: -8, ArrowDown: 8 }[event.key];
      if (!step) return;
      event.preventDefault();
      const all = [...bytes.querySelectorAll(".half b[title]")].filter((byte) => byte.offsetParent);
      const next = chosen && all.includes(chosen) ? all.indexOf(chosen) + step : 0;
      if (!all[next]) return;
      tell(all[next]);
      chosen.scrollIntoView({ block: "nearest" });
    });
  }

  const fit = () => plots.forEach((plot) => Plotly.Plots.resize(plot));
  window.addEventListener("beforeprint", fit);
  window.addEventListener("afterprint", fit);
})();
