// The ladder's answer from the library's tables.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const part = id => document.getElementById(id);
  const answer = part("answer");
  const foot = 0.3048;
  function say(label, words, kind) {
    if (label) made("dt", answer, label);
    return made("dd", answer, words, kind);
  }
  // The most that a fill may be over the main, by how much later it comes.
  function limitAt(gap) {
    const {gaps, limits} = data.image, last = gaps.length - 1;
    if (gap <= gaps[0]) return limits[0];
    if (gap >= gaps[last]) return limits[last];
    const next = gaps.findIndex(one => one > gap);
    const share = (gap - gaps[next - 1]) / (gaps[next] - gaps[next - 1]);
    return limits[next - 1] + share * (limits[next] - limits[next - 1]);
  }
  function marginFor(over, from) {
    const {gaps, limits} = data.image, top = limits.indexOf(Math.max(...limits));
    if (over > limits[top]) return NaN;
    const next = limits.findIndex((one, at) => at > 0 && at <= top && one >= over);
    const share = (over - limits[next - 1]) / (limits[next] - limits[next - 1]);
    const gap = gaps[next - 1] + share * (gaps[next] - gaps[next - 1]);
    return gap >= from ? gap : NaN;
  }
  // What the fill must bring over the mains, by how far the goal lies above them.
  function neededOver(rise) {
    const place = Math.log(rise), table = data.needed;
    return place < table.from ? -Infinity : between(table.from, table.step, table.over, place);
  }
  const moved = (change, stays) => change === 0 ? stays
    : `${change > 0 ? "up" : "down"} by ${Math.abs(change).toFixed(1)} dB`;
  function within(name, value, low, high, unit) {
    if (value >= low && value <= high) return true;
    const text = part(name).value.trim();
    if (text) say("", `${part(name).parentElement.firstChild.textContent.trim()} must be ${low} to `
      + `${high}${unit ? " " + unit : ""}, with a point and no unit; got ${text}`);
    return false;
  }
  function trim(mains, fill, goal, margin) {
    if (!Number.isFinite(mains) || !Number.isFinite(goal)) {
      say("Trim", "needs the mains alone, the fill alone and the level wanted, all at that seat.");
      return;
    }
    const over = goal > mains ? neededOver(goal - mains) : -Infinity;
    if (!Number.isFinite(over)) { say("Trim", "off: the mains reach the goal alone."); return; }
    const limit = limitAt(margin), beyond = over > limit, needed = mains + over;
    const change = Math.ceil((needed - fill) / 0.5 - 1e-6) * 0.5;
    const then = !Number.isFinite(fill) ? ""
      : beyond ? ` for the goal (${moved(change, "as it is now")})`
      : `: ${moved(change, "leave it where it is")}`;
    say("Trim", `the fill alone must read ${needed.toFixed(1)} dB${then}`).id = "trim";
    if (!beyond) return;
    const wanted = marginFor(over, margin);
    const that = Math.abs(over) < 0.05 ? "as loud as the main" : `${signed(over, 1)} dB against the main`;
    const bound = limit > 0 ? `may be at most ${limit.toFixed(1)} dB above it`
      : limit < 0 ? `must be at least ${(-limit).toFixed(1)} dB below it` : "may be as loud as it at most";
    say("", `That is ${that}. At ${margin} ms after it the fill ${bound} (common practice), or the image leaves the `
      + "stage; " + (Number.isFinite(wanted)
        ? `with ${(Math.ceil(10 * wanted - 1e-9) / 10).toFixed(1)} ms of margin it may have that level.`
        : "no margin allows more: lower the goal or raise the mains."));
    const step = -Math.ceil((fill - mains - limit) / 0.5 - 1e-6) * 0.5;
    say("", `Until then the image wins: at most ${(mains + limit).toFixed(1)} dB`
      + (Number.isFinite(fill) ? ` (${moved(step, "as it is now")}).` : "."));
  }
  function follow() {
    answer.textContent = "";
    const unit = Number(part("lengths").value), feet = unit !== 1, warm = part("degrees").value === "F";
    const number = name => typed(part(name).value), degrees = c => warm ? 1.8 * c + 32 : c;
    const most = feet ? 3281 : 1000, main = number("main"), fill = number("fill");
    const temperature = number("temperature"), humidity = number("humidity");
    const margin = number("margin"), latency = number("latency"), rate = Number(part("rate").value);
    const good = [within("main", main, 0, most, feet ? "ft" : "m"),
      within("fill", fill, 0, most, feet ? "ft" : "m"),
      within("temperature", temperature, degrees(data.air.temperature_from), degrees(data.air.temperature_to),
        warm ? "F" : "C"),
      within("humidity", humidity, 0, 100, "%"), within("margin", margin, -100, 100, "ms"),
      within("latency", latency, -1000, 1000, "ms")];
    const levels = ["mains_db", "fill_db", "goal_db"].map(name => [name, number(name)]);
    levels.forEach(([name, level]) => within(name, level, -100, 200, "dB"));
    if (!good.every(Boolean)) {
      if (!answer.childElementCount) say("", "Two distances and the temperature give the delay.");
      return;
    }
    const speed = speedAt(data.air, warm ? (temperature - 32) / 1.8 : temperature, humidity);
    const path = (main - fill) * unit, at = c => path / c * 1000 + margin - latency;
    const wanted = at(speed), delay = Math.max(wanted, 0), length = delay / 1000 * speed;
    say("Delay", `${delay.toFixed(2)} ms`, "big").id = "delay";
    say("", `${Math.ceil(delay * rate - 1e-6)} samples at ${rate} kHz, ${length.toFixed(2)} m, `
      + `${(length / foot).toFixed(1)} ft; sound travels ${speed.toFixed(1)} m/s`).id = "same";
    if (wanted < 0) say("", `The fill is late already: hold the mains back by ${(-wanted).toFixed(2)}`
      + " ms, and every other output with them. Are the distances swapped?").id = "hold";
    if (margin > data.latest_ms) say("", `A margin of ${margin} ms is an echo in speech: beyond `
      + `${data.latest_ms} ms both are heard apart (Haas 1951).`);
    else if (margin < 0) say("", `With a margin of ${margin} ms the fill comes first and takes the image.`);
    else if (margin === 0) say("", "5 to 15 ms of margin keep the image at the stage (common practice).");
    const habit = at(speedAt(data.air, 20, humidity)) - wanted;
    say("At 20 C", Math.abs(habit) < 0.005 ? "it is the same."
      : `it would be ${Math.abs(habit).toFixed(2)} ms too ${habit > 0 ? "late" : "early"} today.`).id = "habit";
    const [mains_db, fill_db, goal_db] = levels.map(([, level]) => level);
    trim(mains_db, fill_db, goal_db, margin);
    const loudest = Math.max(...[mains_db, fill_db, goal_db].filter(Number.isFinite));
    if (loudest > data.hearing_dba) say("Hearing", `${loudest.toFixed(1)} dB: WHO's 2022 standard for `
      + `venues asks for at most ${data.hearing_dba} dB LAeq over 15 minutes. Protect `
      + "your ears, turn it down.");
  }
  for (const one of document.querySelectorAll("input, select")) one.addEventListener("input", follow);
  follow();
})();
