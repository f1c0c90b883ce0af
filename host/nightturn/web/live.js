// The strip of the last minute: the extremes of torque in windows of 20 ms, drawn once a second; under reduced motion words alone.
const MINUTE_S = 60, GAP_S = 0.05;
const still = matchMedia("(prefers-reduced-motion: reduce)");

export function show(live) {
  const box = document.getElementById("live");
  if (!box) return;
  box.querySelector("#live-said").textContent = live ? live.said : "Nobody says what its sensors show now.";
  box.querySelector("#live-age").textContent = live ? `last word ${live.age_s.toFixed(1)} s ago` : "";
  box.querySelector("#live-text").textContent = live?.text || "";
  rows(box.querySelector("#live-rows"), live?.rows || []);
  box.classList.toggle("silent-said", !live || live.silent);
  draw(box.querySelector("canvas"), live && !live.silent && !still.matches ? live : null);
}

function rows(table, pairs) {
  table.hidden = !pairs.length;
  table.tBodies[0].replaceChildren(...pairs.map(([name, words]) => {
    const row = document.createElement("tr"), head = document.createElement("th");
    head.scope = "row";
    head.textContent = name;
    row.append(head);
    row.insertCell().textContent = words;
    return row;
  }));
}

function draw(canvas, live) {
  const ratio = devicePixelRatio || 1, width = canvas.clientWidth, height = canvas.clientHeight;
  canvas.hidden = !live || !live.ago_s.length;
  if (canvas.hidden || !width) return;
  canvas.width = width * ratio;
  canvas.height = height * ratio;
  const pen = canvas.getContext("2d"), style = getComputedStyle(document.documentElement);
  const low = Math.min(...live.low_nm), high = Math.max(...live.high_nm), span = Math.max(high - low, 1e-4);
  const x = (ago) => width - 2 - (ago / MINUTE_S) * (width - 4);
  const y = (torque) => height - 14 - ((torque - low) / span) * (height - 28);
  pen.scale(ratio, ratio);
  pen.strokeStyle = style.getPropertyValue("--ink");
  pen.lineWidth = 1;
  pen.beginPath();
  live.ago_s.forEach((ago, at) => {
    pen.moveTo(x(ago), y(live.low_nm[at]));
    pen.lineTo(x(ago), Math.min(y(live.high_nm[at]), y(live.low_nm[at]) - 0.7));
    const next = live.ago_s[at + 1];
    if (next !== undefined && ago - next < GAP_S) {
      pen.moveTo(x(ago), y((live.low_nm[at] + live.high_nm[at]) / 2));
      pen.lineTo(x(next), y((live.low_nm[at + 1] + live.high_nm[at + 1]) / 2));
    }
  });
  pen.stroke();
  pen.fillStyle = style.getPropertyValue("--soft");
  pen.font = "11px Helvetica, Arial, sans-serif";
  const text = (value) => value.toFixed(3).replace("-", "−") + " N·m";
  pen.fillText(text(high), 2, 10);
  pen.fillText(text(low), 2, height - 2);
  pen.textAlign = "right";
  pen.fillText("the last minute", width - 2, height - 2);
}
