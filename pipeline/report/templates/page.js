"use strict";
// Decodes the samples of each event and draws them: all of them, each column of pixels from its lowest to its highest.
(function () {
  const DECIMAL = document.documentElement.dataset.decimal || ".";
  const TOOLS = [["in", "+", "zoom in"], ["out", "\u2212", "zoom out"], ["left", "\u2190", "earlier"],
    ["right", "\u2192", "later"], ["all", "all", ""]];
  const INK = "#1F2933", MUTED = "#52606D", GRID = "#D9DEE4", SHADE = "#F3EFE2", LIMIT = "#9A3B26";

  // Two signs hold 13 bits; the 91 signs are those from "!" to "~" without "&", "<" and ">".
  function unpacked(text) {
    const codes = new Uint8Array(127), bytes = new Uint8Array(Math.floor(text.length / 2 * 13 / 8));
    for (let sign = 33, code = 0; sign < 127; sign++) if (sign !== 38 && sign !== 60 && sign !== 62) codes[sign] = code++;
    let held = 0, bits = 0, at = 0;
    for (let i = 0; i < text.length; i += 2) {
      held = (held << 13) | (codes[text.charCodeAt(i)] + 91 * codes[text.charCodeAt(i + 1)]);
      for (bits += 13; bits >= 8; at++) {
        bits -= 8;
        bytes[at] = held >> bits;
        held &= (1 << bits) - 1;
      }
    }
    return bytes;
  }

  async function decoded(figure) {
    const meta = JSON.parse(figure.querySelector("script.meta").textContent);
    const bytes = unpacked(figure.querySelector("script.samples").textContent.trim());
    const stream = new Blob([bytes.subarray(0, meta.packed)]).stream().pipeThrough(new DecompressionStream("deflate-raw"));
    const planes = new Uint8Array(await new Response(stream).arrayBuffer());
    const summed = (steps) => { let sum = 0; return steps.map((step) => (sum += step)); };
    for (const one of meta.rms) {
      one.t = summed(summed(one.t)).map((t) => t / 1e5);
      one.v = summed(one.v).map((v) => v / 100);
    }
    const n = meta.n, wide = meta.bytes, shift = 32 - 8 * wide, lowest = wide === 2 ? -32768 : -2147483648;
    meta.channels.forEach((channel, c) => {
      const weights = channel.weights, order = weights.length, unit = Math.pow(2, channel.shift);
      const values = new Float32Array(n), whole = new Int32Array(n + order), at = c * wide * n;
      for (let i = 0; i < n; i++) {
        let folded = 0, sum = unit > 1 ? unit / 2 : 0;
        for (let b = 0; b < wide; b++) folded = folded * 256 + planes[at + b * n + i];
        for (let k = 0; k < order; k++) sum += weights[k] * whole[i + order - 1 - k];
        const missed = folded % 2 ? -(folded + 1) / 2 : folded / 2;
        const value = ((Math.floor(sum / unit) + missed) << shift) >> shift;
        whole[i + order] = value;
        values[i] = value === lowest ? NaN : value * channel.scale + channel.offset;
      }
      channel.values = values;
    });
    return meta;
  }

  function ticks(low, high, about) {
    let step = Math.pow(10, Math.floor(Math.log10((high - low) / about)));
    for (const m of [1, 2, 5, 10]) if ((high - low) / (step * m) <= about) { step *= m; break; }
    const found = [];
    for (let k = Math.ceil(low / step - 1e-9); k <= high / step + 1e-9; k++) found.push(k * step);
    return found;
  }

  function written(text) {
    return text.replace("-", "\u2212").replace(".", DECIMAL);
  }

  function word(value) {
    if (Math.abs(value) < 1e-12) return "0";
    return written(String(parseFloat(value.toPrecision(6))));
  }

  function panelsOf(meta) {
    const panels = [];
    for (const [kind, letter] of [["voltage", "V"], ["current", "A"]]) {
      const rows = meta.channels.filter((c) => c.kind === kind);
      if (!rows.length) continue;
      let peak = 0;
      for (const row of rows) for (const v of row.values) if (Math.abs(v) > peak) peak = Math.abs(v);
      const per = peak >= 2000 ? 1000 : 1;
      panels.push({ kind, rows, per, low: -1.08 * (peak / per || 1), high: 1.08 * (peak / per || 1),
        title: kind + " [" + (per === 1000 ? "k" : "") + letter + "]" });
      if (kind === "voltage" && meta.rms.length) {
        let top = 120;
        for (const one of meta.rms) for (const v of one.v) if (v * 1.05 > top) top = v * 1.05;
        panels.push({ kind: "rms", rows: meta.rms, low: 0, high: top, title: "RMS voltage over one cycle [% of reference]" });
      }
    }
    return panels;
  }

  class Wave {
    constructor(figure, meta) {
      this.meta = meta;
      this.canvas = figure.querySelector("canvas");
      this.read = figure.querySelector(".read");
      this.panels = panelsOf(meta);
      this.whole = [meta.start / meta.rate, (meta.start + meta.all - 1) / meta.rate];
      this.view = this.whole.slice();
      this.cursor = null;
      this.drag = null;
      const acts = { "in": () => this.zoom(0.5), out: () => this.zoom(2), left: () => this.pan(-0.25),
        right: () => this.pan(0.25), all: () => this.show(this.whole) };
      for (const button of figure.querySelectorAll("button")) button.addEventListener("click", acts[button.dataset.act]);
      const keys = { "+": "in", "=": "in", "-": "out", ArrowLeft: "left", ArrowRight: "right", "0": "all", Home: "all" };
      this.canvas.addEventListener("keydown", (e) => {
        if (keys[e.key] && !e.ctrlKey && !e.metaKey) { acts[keys[e.key]](); e.preventDefault(); }
      });
      this.canvas.addEventListener("pointerdown", (e) => { if (e.pointerType === "mouse") this.drag = [e.offsetX, e.offsetX]; });
      this.canvas.addEventListener("pointermove", (e) => {
        this.cursor = e.offsetX;
        if (this.drag) this.drag[1] = e.offsetX;
        this.draw();
      });
      this.canvas.addEventListener("pointerleave", () => { this.cursor = this.drag = null; this.draw(); });
      this.canvas.addEventListener("pointerup", () => {
        const drag = this.drag;
        this.drag = null;
        if (drag && Math.abs(drag[1] - drag[0]) > 6) {
          const ends = drag.map((x) => this.time(x)).sort((a, b) => a - b);
          this.show(ends);
        } else this.draw();
      });
      this.canvas.addEventListener("dblclick", () => this.show(this.whole));
      new ResizeObserver(() => this.draw()).observe(this.canvas.parentElement);
      this.draw();
    }

    show(ends) {
      const shortest = 8 / this.meta.rate;
      let [a, b] = ends;
      if (b - a < shortest) { const middle = (a + b) / 2; a = middle - shortest / 2; b = middle + shortest / 2; }
      const length = Math.min(b - a, this.whole[1] - this.whole[0]);
      a = Math.min(Math.max(a, this.whole[0]), this.whole[1] - length);
      this.view = [a, a + length];
      this.draw();
    }
    zoom(by) {
      const middle = (this.view[0] + this.view[1]) / 2, half = (this.view[1] - this.view[0]) * by / 2;
      this.show([middle - half, middle + half]);
    }
    pan(by) {
      const step = (this.view[1] - this.view[0]) * by;
      this.show([this.view[0] + step, this.view[1] + step]);
    }
    x(t) { return this.left + (t - this.view[0]) / (this.view[1] - this.view[0]) * this.across; }
    time(x) {
      const share = Math.min(Math.max((x - this.left) / this.across, 0), 1);
      return this.view[0] + share * (this.view[1] - this.view[0]);
    }

    draw() {
      const width = this.canvas.parentElement.clientWidth;
      if (!width) return;
      const narrow = width < 600, tall = narrow ? 130 : 150, gap = 34, scale = window.devicePixelRatio || 1;
      const height = 24 + this.panels.length * (tall + gap) - gap + 40;
      this.left = narrow ? 44 : 60;
      this.across = width - this.left - (narrow ? 44 : 96);
      this.canvas.style.height = height + "px";
      this.canvas.width = Math.round(width * scale);
      this.canvas.height = Math.round(height * scale);
      const pen = this.pen = this.canvas.getContext("2d");
      pen.scale(scale, scale);
      pen.fillStyle = "#FFFFFF";
      pen.fillRect(0, 0, width, height);
      pen.font = "12px sans-serif";
      this.panels.forEach((panel, k) => this.panel(panel, 24 + k * (tall + gap), tall, k === this.panels.length - 1));
      this.overlay(24, this.panels.length * (tall + gap) - gap);
      this.tell();
    }

    panel(panel, top, tall, last) {
      const pen = this.pen, left = this.left, across = this.across;
      const y = (v) => top + tall * (1 - Math.min(Math.max((v - panel.low) / (panel.high - panel.low), -0.02), 1.02));
      const a = Math.max(this.x(0), left), b = Math.min(this.x(this.meta.stop), left + across);
      pen.fillStyle = SHADE;
      if (b > a) pen.fillRect(a, top, b - a, tall);
      pen.lineWidth = 1;
      pen.strokeStyle = GRID;
      pen.fillStyle = MUTED;
      pen.textAlign = "right";
      for (const v of ticks(panel.low, panel.high, 6)) {
        this.line(left, y(v), left + across, y(v));
        pen.fillText(word(v), left - 6, y(v) + 4);
      }
      pen.textAlign = "center";
      const span = this.view[1] - this.view[0], per = span > 2 ? 1 : 1000;
      for (const t of ticks(this.view[0] * per, this.view[1] * per, across < 400 ? 4 : 8)) {
        this.line(this.x(t / per), top, this.x(t / per), top + tall);
        if (last) pen.fillText(word(t), this.x(t / per), top + tall + 16);
      }
      if (last) pen.fillText("time from the start of the event [" + (per === 1 ? "s" : "ms") + "]", left + across / 2, top + tall + 32);
      pen.save();
      pen.beginPath();
      pen.rect(left, top, across, tall);
      pen.clip();
      if (panel.kind === "rms") {
        for (const [level, words] of this.meta.levels) this.level(y(level));
        for (const one of panel.rows) this.series(one, this.meta.channels[one.channel], y);
      } else for (const row of panel.rows) this.wave(row, panel.per, y);
      pen.restore();
      pen.setLineDash([]);
      pen.strokeStyle = MUTED;
      pen.lineWidth = 1;
      pen.strokeRect(left, top, across, tall);
      pen.textAlign = "left";
      pen.fillStyle = INK;
      pen.font = "bold 12px sans-serif";
      pen.fillText(panel.title, left, top - 7);
      pen.font = "12px sans-serif";
      if (panel.kind === "rms") for (const [level, words] of this.meta.levels) {
        pen.fillStyle = LIMIT;
        pen.fillText(words, left + across + 4, y(level) + 4);
      }
      const rows = panel.kind === "rms" ? panel.rows.map((one) => this.meta.channels[one.channel]) : panel.rows;
      if (panel.kind !== "rms" || across > 420) rows.forEach((channel, k) => {
        const x = left + across + (panel.kind === "rms" ? 42 : 4), at = top + 12 + 17 * k;
        pen.strokeStyle = channel.colour;
        pen.lineWidth = 2;
        pen.setLineDash(channel.dash);
        this.line(x, at - 4, x + 14, at - 4);
        pen.setLineDash([]);
        pen.fillStyle = channel.colour;
        pen.font = "bold 12px sans-serif";
        pen.fillText(channel.name.slice(0, 6), x + 17, at);
        pen.font = "12px sans-serif";
      });
    }

    line(x0, y0, x1, y1) {
      this.pen.beginPath();
      this.pen.moveTo(x0, y0);
      this.pen.lineTo(x1, y1);
      this.pen.stroke();
    }
    level(y) {
      this.pen.strokeStyle = LIMIT;
      this.pen.setLineDash([5, 4]);
      this.line(this.left, y, this.left + this.across, y);
    }
    series(one, channel, y) {
      const pen = this.pen;
      pen.strokeStyle = channel.colour;
      pen.lineWidth = 1.8;
      pen.setLineDash(channel.dash);
      pen.beginPath();
      one.t.forEach((t, k) => (k ? pen.lineTo(this.x(t), y(one.v[k])) : pen.moveTo(this.x(t), y(one.v[k]))));
      pen.stroke();
    }
    wave(channel, per, y) {
      const pen = this.pen, values = channel.values, meta = this.meta;
      const first = Math.max(0, Math.floor(this.view[0] * meta.rate - meta.start));
      const stop = Math.min(meta.n, Math.ceil(this.view[1] * meta.rate - meta.start) + 1);
      const columns = Math.max(1, Math.floor(this.x((stop - 1 + meta.start) / meta.rate) - this.x((first + meta.start) / meta.rate)));
      const each = (stop - first) / columns;
      if (stop <= first) return;
      pen.strokeStyle = channel.colour;
      pen.lineWidth = 1.2;
      pen.globalAlpha = each > 12 ? 0.55 : 1;
      pen.setLineDash(each < 2 ? channel.dash : []);
      pen.beginPath();
      let down = false;
      const put = (i) => {
        const v = values[i];
        if (Number.isNaN(v)) { down = false; return; }
        const px = this.x((i + meta.start) / meta.rate), py = y(v / per);
        if (down) pen.lineTo(px, py); else pen.moveTo(px, py);
        down = true;
      };
      if (each <= 2) for (let i = first; i < stop; i++) put(i);
      else for (let c = 0; c < columns; c++) {
        const a = first + Math.floor(c * each), b = Math.min(stop, first + Math.floor((c + 1) * each));
        let low = -1, high = -1;
        for (let i = a; i < b; i++) {
          if (Number.isNaN(values[i])) continue;
          if (low < 0 || values[i] < values[low]) low = i;
          if (high < 0 || values[i] > values[high]) high = i;
        }
        if (low < 0) { down = false; continue; }
        put(Math.min(low, high));
        if (low !== high) put(Math.max(low, high));
      }
      pen.stroke();
      pen.globalAlpha = 1;
    }
    overlay(top, tall) {
      const pen = this.pen;
      pen.setLineDash([]);
      if (this.drag) {
        pen.fillStyle = "rgba(18, 67, 109, 0.15)";
        pen.fillRect(Math.min(...this.drag), top, Math.abs(this.drag[1] - this.drag[0]), tall);
      }
      if (this.cursor !== null && this.cursor >= this.left && this.cursor <= this.left + this.across) {
        pen.strokeStyle = MUTED;
        pen.lineWidth = 1;
        this.line(this.cursor, top, this.cursor, top + tall);
      }
    }
    tell() {
      if (this.cursor === null) { this.read.textContent = ""; return; }
      const t = this.time(this.cursor), meta = this.meta;
      const i = Math.max(Math.round(t * meta.rate - meta.start), 0);
      if (i >= meta.n) { this.read.textContent = written((t * 1000).toFixed(2)) + " ms: the samples are not in this file"; return; }
      const said = meta.channels.map((c) => c.name + " " + (Number.isNaN(c.values[i]) ? "missing" : word(parseFloat(c.values[i].toPrecision(4))) + " " + c.unit));
      this.read.textContent = written(((i + meta.start) / meta.rate * 1000).toFixed(2)) + " ms: " + said.join(", ");
    }
  }

  function furnish(tools) {
    for (const [act, sign, name] of TOOLS) {
      const button = document.createElement("button");
      button.type = "button";
      button.dataset.act = act;
      button.textContent = sign;
      if (name) button.setAttribute("aria-label", name);
      tools.append(button);
    }
    const keys = document.createElement("span");
    keys.className = "keys";
    keys.textContent = "drag to zoom; keys + \u2212 \u2190 \u2192 0";
    tools.append(keys);
  }

  async function bring(figure) {
    try {
      const begun = performance.now();
      furnish(figure.querySelector(".tools"));
      const meta = await decoded(figure);
      figure.classList.add("live");
      figure.wave = new Wave(figure, meta);
      figure.dataset.spent = performance.now() - begun;
      figure.dataset.drawn = "yes";
    } catch (error) {
      figure.dataset.drawn = "no";
      figure.querySelector(".failed").hidden = false;
    }
  }
  const figures = Array.from(document.querySelectorAll("figure.waves"));
  const near = new IntersectionObserver((seen) => {
    for (const one of seen) if (one.isIntersecting) { near.unobserve(one.target); bring(one.target); }
  }, { rootMargin: "800px" });
  figures.forEach((figure, k) => (k === 0 ? bring(figure) : near.observe(figure)));
  const opened = [];
  window.addEventListener("beforeprint", () => {
    for (const one of document.querySelectorAll("details.print:not([open])")) { one.open = true; opened.push(one); }
  });
  window.addEventListener("afterprint", () => { while (opened.length) opened.pop().open = false; });
})();
