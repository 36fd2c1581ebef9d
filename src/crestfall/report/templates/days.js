(function () {
  "use strict";
  const find = (id) => document.getElementById(id);
  const data = JSON.parse(find("days-data").textContent);
  const currency = find("days").dataset.currency || "";
  const tell = (text, values = {}) => data.words[text].replace(/\{(\w+)\}/g, (_, name) => values[name]);
  const NS = "http://www.w3.org/2000/svg";
  const series = {};
  for (const [name, text] of Object.entries(data.series)) {
    const raw = Uint8Array.from(atob(text), (one) => one.charCodeAt(0));
    const view = new DataView(raw.buffer);
    series[name] = Float32Array.from({ length: raw.length / 4 }, (_, i) => view.getFloat32(4 * i, true));
  }
  const atMeter = (i) => series.import_kw[i] - series.export_kw[i];
  const atMeterBefore = (i) => series.import_before_kw[i] - series.export_before_kw[i];

  // One look for each quantity, that of the other figures.
  const LINES = {
    load: { label: tell("load"), of: (i) => series.load_kw[i], unit: "kW", color: "--load", width: 1.2, dash: "" },
    pv: { label: tell("PV"), of: (i) => series.pv_kw[i] - series.curtailed_kw[i], unit: "kW", color: "--pv", width: 1, fill: "--pv-fill" },
    before: { label: tell("at the meter, no battery"), of: atMeterBefore, unit: "kW", color: "--before", width: 1.3, dash: "5 2" },
    after: { label: tell("at the meter"), of: atMeter, unit: "kW", color: "--after", width: 2, dash: "" },
    charge: { label: tell("charge"), of: (i) => series.charge_kw[i], unit: "kW", color: "--charge", width: 1, fill: "--charge-fill" },
    discharge: { label: tell("discharge"), of: (i) => -series.discharge_kw[i], unit: "kW", color: "--discharge", width: 1, fill: "--discharge-fill" },
    stored: { label: tell("stored at the end"), of: (i) => series.stored_kwh[i], unit: "kWh", color: "--store", width: 1.6, dash: "" },
    buy: { label: tell("price of import"), of: (i) => series.buy_per_kwh[i], unit: currency + "/kWh", color: "--load", width: 1.4, dash: "", digits: 4 },
    sell: { label: tell("price of export"), of: (i) => series.sell_per_kwh[i], unit: currency + "/kWh", color: "--quiet", width: 1.2, dash: "2 2", digits: 4 },
  };
  const PANELS = [
    { title: tell("Site") + " [kW]", lines: ["pv", "load", "before", "after"], height: 220, peaks: true },
    { title: tell("Battery") + " [kW]", lines: ["charge", "discharge"], height: 105 },
    { title: tell("Stored") + " [kWh]", lines: ["stored"], height: 105 },
    { title: tell("Price") + " [" + currency + "/kWh]", lines: ["buy", "sell"], height: 95 },
  ];
  // The same scale on every day, so that days can be compared.
  for (const panel of PANELS) {
    let low = 0, high = 0;
    for (const name of panel.lines) {
      for (let i = 0; i < series.load_kw.length; i++) {
        const value = LINES[name].of(i);
        if (value < low) low = value;
        if (value > high) high = value;
      }
    }
    panel.low = low;
    panel.high = high > low ? high : low + 1;
  }

  const number = (value, digits) =>
    (Math.abs(value) < 0.5 * 10 ** -digits ? 0 : value).toLocaleString(document.documentElement.lang || "en", {
      minimumFractionDigits: digits,
      maximumFractionDigits: digits,
    });
  const clock = (minute) => String(Math.floor(minute / 60)).padStart(2, "0") + ":" + String(minute % 60).padStart(2, "0");

  let day = 0;
  let read = Math.floor((data.first[1] - data.first[0]) / 2);

  function minuteOf(i) {
    const odd = data.clock[day];
    return odd ? odd[i] : i * data.step_min;
  }

  function ticks(low, high, most) {
    const rough = (high - low) / most;
    const unit = 10 ** Math.floor(Math.log10(rough));
    const step = unit * [1, 2, 5, 10].find((one) => one * unit >= rough);
    const found = [];
    for (let at = Math.ceil(low / step) * step; at <= high + 1e-9 * step; at += step) found.push(at);
    return { found, digits: Math.max(0, -Math.floor(Math.log10(step) + 1e-9)) };
  }

  function element(name, attributes, parent, text) {
    const made = document.createElementNS(NS, name);
    for (const [key, value] of Object.entries(attributes)) made.setAttribute(key, value);
    if (text !== undefined) made.textContent = text;
    if (parent) parent.appendChild(made);
    return made;
  }

  let frame = null;

  function draw() {
    const box = find("days-picture");
    const width = Math.max(280, box.clientWidth);
    const left = 46, right = 8, top = 38, between = 46, bottom = 24;
    const height = top + PANELS.reduce((sum, panel) => sum + panel.height + between, 0) - between + bottom;
    const begin = data.first[day], n = data.first[day + 1] - begin;
    const svg = element("svg", { width, height, viewBox: `0 0 ${width} ${height}`, role: "img", "aria-labelledby": "days-said" });
    const x = (i) => left + ((width - left - right) * i) / n;
    const every = width < 560 ? 360 : 180;
    const isTick = (i) => minuteOf(i) % every === 0;
    let y0 = top;
    for (const panel of PANELS) {
      const y = (value) => y0 + panel.height * (1 - (value - panel.low) / (panel.high - panel.low));
      element("text", { x: 0, y: y0 - 24, class: "days-title" }, svg, panel.title);
      legend(svg, panel, left, y0 - 8, width - right);
      for (let i = 0; i < n; i++) {
        if (isTick(i)) element("line", { x1: x(i), x2: x(i), y1: y0, y2: y0 + panel.height, class: "days-grid" }, svg);
      }
      const { found, digits } = ticks(panel.low, panel.high, panel.height / 34);
      for (const value of found) {
        element("line", { x1: left, x2: width - right, y1: y(value), y2: y(value), class: value === 0 ? "days-zero" : "days-grid" }, svg);
        element("text", { x: left - 5, y: y(value) + 4, class: "days-tick", "text-anchor": "end" }, svg, number(value, digits));
      }
      for (const name of panel.lines) {
        const line = LINES[name];
        let path = "";
        for (let i = 0; i < n; i++) {
          const at = y(line.of(begin + i)).toFixed(1);
          path += (i === 0 ? "M" : "L") + x(i).toFixed(1) + " " + at + "H" + x(i + 1).toFixed(1);
        }
        if (line.fill) {
          const closed = path + "V" + y(0).toFixed(1) + "H" + left + "Z";
          element("path", { d: closed, style: `fill:var(${line.fill});stroke:var(${line.color});stroke-width:${line.width}` }, svg);
        } else {
          element("path", { d: path, style: `fill:none;stroke:var(${line.color});stroke-width:${line.width};stroke-dasharray:${line.dash}` }, svg);
        }
      }
      if (panel.peaks) levels(svg, x, y, n);
      y0 += panel.height + between;
    }
    for (let i = 0; i < n; i++) {
      if (isTick(i)) element("text", { x: x(i), y: height - 6, class: "days-tick", "text-anchor": "middle" }, svg, clock(minuteOf(i)));
    }
    const mark = element("line", { y1: top, y2: height - bottom, class: "days-mark" }, svg);
    frame = { svg, x, n, begin, mark, left, span: width - left - right };
    box.replaceChildren(svg);
    read = Math.min(read, n - 1);
    show();
  }

  function legend(svg, panel, left, y, end) {
    let at = left;
    for (const name of panel.lines) {
      const line = LINES[name];
      const text = element("text", { x: at + 20, y, class: "days-key" }, svg, line.label);
      if (line.fill) {
        element("rect", { x: at, y: y - 9, width: 15, height: 9, style: `fill:var(${line.fill});stroke:var(${line.color})` }, svg);
      } else {
        element("line", { x1: at, x2: at + 15, y1: y - 4, y2: y - 4, style: `stroke:var(${line.color});stroke-width:${line.width};stroke-dasharray:${line.dash}` }, svg);
      }
      at += 32 + 6.1 * line.label.length;
      if (at > end) text.textContent = "";
    }
  }

  function levels(svg, x, y, n) {
    for (const charge of data.charges) {
      for (const [period, from, to] of charge.measured[day] || []) {
        let first = -1, last = -1;
        for (let i = 0; i < n; i++) {
          if (minuteOf(i) >= from && minuteOf(i) < to) {
            if (first < 0) first = i;
            last = i;
          }
        }
        if (first < 0) continue;
        for (const [which, color] of [["before", "--before"], ["after", "--after"]]) {
          const at = y(Math.min(charge[which][period], 1e9));
          element("line", { x1: x(first), x2: x(last + 1), y1: at, y2: at, style: `stroke:var(${color});stroke-width:1.4;stroke-dasharray:1 3` }, svg);
        }
      }
    }
  }

  function show() {
    const i = frame.begin + read, minute = minuteOf(read);
    const at = frame.x(read + 0.5);
    frame.mark.setAttribute("x1", at);
    frame.mark.setAttribute("x2", at);
    const rows = [[tell("time"), clock(minute) + "–" + clock((minute + data.step_min) % 1440)]];
    for (const name of ["load", "pv", "before", "after", "charge", "discharge", "stored", "buy", "sell"]) {
      const line = LINES[name];
      const value = name === "discharge" ? -line.of(i) : line.of(i);
      rows.push([line.label, number(value, line.digits || 1) + " " + line.unit]);
    }
    for (const charge of data.charges) {
      const spans = charge.measured[day];
      if (!spans) continue;
      const period = spans[0][0];
      rows.push([
        tell("{charge}, billed", { charge: charge.name }),
        tell("{after} ({before} without)", {
          after: number(charge.after[period], 1) + " " + charge.unit,
          before: number(charge.before[period], 1),
        }),
      ]);
    }
    find("days-read").replaceChildren(
      ...rows.map(([name, value]) => {
        const pair = document.createElement("div");
        const term = document.createElement("dt"), what = document.createElement("dd");
        term.textContent = name;
        what.textContent = value;
        pair.append(term, what);
        return pair;
      }),
    );
  }

  function say() {
    const begin = data.first[day], end = data.first[day + 1], h = data.step_min / 60;
    let most = begin, mostBefore = begin, discharged = 0, saved = 0;
    for (let i = begin; i < end; i++) {
      if (atMeter(i) > atMeter(most)) most = i;
      if (atMeterBefore(i) > atMeterBefore(mostBefore)) mostBefore = i;
      discharged += h * series.discharge_kw[i];
      saved += energyCost(i, series.import_before_kw, series.export_before_kw) - energyCost(i, series.import_kw, series.export_kw);
    }
    const date = new Date(data.dates[day] + "T00:00:00Z");
    const named = date.toLocaleDateString(document.documentElement.lang || "en", {
      weekday: "long", day: "numeric", month: "long", year: "numeric", timeZone: "UTC",
    });
    find("days-said").textContent = tell(
      "{day}: highest import {high} kW at {when}, without the battery {high_before} kW at {when_before}; {discharged} kWh discharged; energy prices alone save {saved} {currency}.",
      {
        day: named,
        high: number(Math.max(atMeter(most), 0), 1),
        when: clock(minuteOf(most - begin)),
        high_before: number(Math.max(atMeterBefore(mostBefore), 0), 1),
        when_before: clock(minuteOf(mostBefore - begin)),
        discharged: number(discharged, 0),
        saved: number(saved, 2),
        currency: currency,
      },
    );
  }

  const energyCost = (i, bought, sold) =>
    (data.step_min / 60) * (series.buy_per_kwh[i] * bought[i] - series.sell_per_kwh[i] * sold[i]);

  function mostValuable() {
    let best = 0, most = -Infinity;
    for (let k = 0; k < data.dates.length; k++) {
      let saved = 0;
      for (let i = data.first[k]; i < data.first[k + 1]; i++) {
        saved += energyCost(i, series.import_before_kw, series.export_before_kw) - energyCost(i, series.import_kw, series.export_kw);
      }
      if (saved > most) [best, most] = [k, saved];
    }
    return best;
  }

  function go(to) {
    day = Math.max(0, Math.min(data.dates.length - 1, to));
    find("days-slider").value = day;
    find("days-slider").setAttribute("aria-valuetext", data.dates[day]);
    find("days-date").value = data.dates[day];
    find("days-back").disabled = day === 0;
    find("days-on").disabled = day === data.dates.length - 1;
    draw();
    say();
  }

  const bar = document.querySelector(".days-bar");
  bar.hidden = false;
  find("days-slider").max = data.dates.length - 1;
  find("days-date").min = data.dates[0];
  find("days-date").max = data.dates[data.dates.length - 1];
  find("days-slider").addEventListener("input", (event) => go(Number(event.target.value)));
  find("days-date").addEventListener("change", (event) => {
    const asked = data.dates.indexOf(event.target.value);
    if (asked >= 0) go(asked);
  });
  find("days-back").addEventListener("click", () => go(day - 1));
  find("days-on").addEventListener("click", () => go(day + 1));
  find("days-most").addEventListener("click", () => go(mostValuable()));
  const picture = find("days-picture");
  picture.addEventListener("pointermove", (event) => {
    const at = (event.clientX - frame.svg.getBoundingClientRect().left - frame.left) / frame.span;
    read = Math.max(0, Math.min(frame.n - 1, Math.floor(at * frame.n)));
    show();
  });
  picture.addEventListener("keydown", (event) => {
    const move = { ArrowLeft: -1, ArrowRight: 1 }[event.key];
    if (move) {
      read = Math.max(0, Math.min(frame.n - 1, read + move));
      show();
      event.preventDefault();
    } else if (event.key === "PageUp" || event.key === "PageDown") {
      go(day + (event.key === "PageUp" ? -1 : 1));
      event.preventDefault();
    }
  });
  let drawn = 0;
  new ResizeObserver(() => {
    if (picture.clientWidth !== drawn) {
      drawn = picture.clientWidth;
      draw();
    }
  }).observe(picture);
  go(mostValuable());
})();
