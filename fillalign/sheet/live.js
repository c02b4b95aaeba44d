// The page follows the day: what is typed re-times delays, is weighed, and goes into a file.
(() => {
  const data = JSON.parse(document.getElementById("data").textContent);
  const inputs = {};
  function field(place, key, words, options) {
    const input = options ? made("select", place) : made("input", place);
    if (options) for (const one of ["", ...options]) {
      made("option", input, one || words).value = one;
    } else {
      input.type = "text"; input.placeholder = words; input.autocomplete = "off";
      if (!["when", "set_by", "initials", "time"].includes(key.split(" ").pop()))
        input.inputMode = "decimal";
      input.maxLength = 60;
    }
    input.setAttribute("aria-label", words);
    input.dataset.key = key;
    inputs[key] = input;
    input.addEventListener("input", follow);
  }
  const value = key => inputs[key] ? inputs[key].value.trim() : "";
  function fields() {
    for (const place of document.querySelectorAll(".found .write"))
      field(place, place.dataset.blank, place.dataset.blank === "when" ? "date, time"
        : place.dataset.blank === "set_by" ? "name"
        : place.dataset.blank === "humidity_pct" ? "%" : "C");
    for (const row of document.querySelectorAll(".settings tr[data-output]")) {
      const at = row.dataset.output, blank = row.querySelectorAll("td.blank");
      const own = data.outputs[at];
      field(blank[0], `${at} delay_ms`, "ms");
      field(blank[1], `${at} trim_db`, "dB or off");
      field(blank[2], `${at} low_cut_hz`, "cut Hz or none");
      field(blank[2], `${at} shelf_db`, "shelf dB");
      field(blank[2], `${at} polarity`, "polarity", ["normal", "inverted"]);
      field(blank[3], `${at} initials`, "initials");
      field(blank[3], `${at} time`, "time");
      own.today = made("div", row.children[1], "", "means today");
      own.means = ["delay", "trim"].map((_, part) =>
        made("div", row.children[part ? 3 : 1], "", "means"));
    }
    for (const row of document.querySelectorAll("tr[data-seat]")) {
      const key = `${row.dataset.output} ${row.dataset.seat}`;
      const blank = row.querySelectorAll("td.blank");
      ["mains_dba", "fill_dba", "both_dba"].forEach((name, at) =>
        field(blank[at], `${key} ${name}`, "dBA"));
      const own = data.outputs[row.dataset.output].readings[row.dataset.seat];
      own.means = made("div", row.children[0], "", "means");
    }
  }
  const number = key => typed(value(key));
  function air() {
    const temperature = number("temperature_c");
    if (!(temperature >= data.air.temperature_from && temperature <= data.air.temperature_to)) return null;
    let humidity = number("humidity_pct");
    if (!(humidity >= 0 && humidity <= 100)) humidity = humidityAt(data.air, temperature);
    return {temperature, humidity, speed: speedAt(data.air, temperature, humidity)};
  }
  function wanted(own, now) {
    return own.wanted && now ? uneven(data.slowness, own.wanted, 1 / now.speed) : own.delay;
  }
  function today(own, now) {
    return own.wanted && now ? roundedUp(wanted(own, now), own.step) : own.delay;
  }
  function showToday(own, now) {
    if (!now || !own.wanted) { own.today.textContent = ""; return; }
    const delay = today(own, now);
    own.today.textContent = `today ${delay.toFixed(2)} ms, `
      + `${Math.ceil(delay * own.rate / 1000 - 1e-6)} samples`
      + (delay > own.most ? `: its device stops at ${own.most} ms` : "");
  }
  function showSet(own, at, now) {
    const delay = number(`${at} delay_ms`), planned = today(own, now);
    let text = "";
    if (delay >= 0) {
      const away = delay - planned;
      text = Math.abs(away) < 0.005 ? "as planned"
        : `${signed(away, 2)} ms against ${now ? "today's" : "the plan"}`;
      if (own.kept && Math.abs(away) >= 0.005)
        text += `; image kept at ${straight(own.later_from, own.later_step, own.kept, away)
          .toFixed(0)} % of its seats (planned ${straight(own.later_from, own.later_step,
          own.kept, 0).toFixed(0)} %)`;
      if (delay > own.most) text = `its device stops at ${own.most} ms`;
    } else if (value(`${at} delay_ms`)) text = "no delay in ms";
    own.means[0].textContent = text;
    const trim = number(`${at} trim_db`);
    text = "";
    if (Number.isFinite(trim)) {
      text = own.trim === null ? "planned off" : Math.abs(trim - own.trim) < 0.05 ? "as planned"
        : `${signed(trim - own.trim, 1)} dB against the plan`;
      if (own.served && own.trim !== null && Math.abs(trim - own.trim) >= 0.05)
        text += `; ${straight(own.trim_from, own.trim_step, own.served, trim).toFixed(0)} % of its `
          + `rows served (planned ${straight(own.trim_from, own.trim_step, own.served, own.trim)
            .toFixed(0)} %)`;
      if (trim > own.highest + 1e-9) text = `its boxes stop at ${signed(own.highest, 1)} dB`;
    } else if (value(`${at} trim_db`).toLowerCase() === "off")
      text = own.trim === null ? "off as planned" : "off, planned to play";
    else if (value(`${at} trim_db`)) text = "no trim in dB, nor off";
    own.means[1].textContent = text;
  }
  function showRead(own, at, read, seat, now) {
    const key = `${at} ${seat}`;
    const [mains, fill, both] = ["mains_dba", "fill_dba", "both_dba"]
      .map(name => number(`${key} ${name}`));
    const trim = number(`${at} trim_db`), parts = [];
    const set = Number.isFinite(trim) && own.trim !== null ? trim - own.trim : 0;
    if (Number.isFinite(mains) && Number.isFinite(fill)) {
      const expected = read.fill - read.mains, away = fill - mains - expected - set;
      const change = Math.round((-away - set) / 0.5) * 0.5;
      const said = `fill \u2212 mains ${signed(fill - mains, 1)} dB`;
      parts.push(Math.abs(away) > data.believed_db
        ? `${said}, expected ${signed(expected + set, 1)}: a slip? read again`
        : change === 0 ? `${said}: as planned, leave it`
        : `${said}, planned ${signed(expected, 1)}: trim ${signed(change, 1)} dB`);
      if (Number.isFinite(both)) {
        const step = 20 * Math.log10(10 ** (mains / 20) + 10 ** (fill / 20));
        if (both < Math.max(mains, fill) - 0.5 || both > step + 1)
          parts.push("both cannot be that with the same noise: read again");
      }
    } else if (Number.isFinite(mains) && Math.abs(mains - read.mains) >= 1)
      parts.push(`mains ${signed(mains - read.mains, 1)} dB against expected`);
    if (now && read.click.length)
      parts.unshift(`click today at ${uneven(data.slowness, read.click, 1 / now.speed).toFixed(2)} ms`);
    read.means.textContent = parts.join("; ");
  }
  function follow(event) {
    if (event && event.target.tagName === "SELECT")
      event.target.classList.toggle("unset", !event.target.value);
    const now = air();
    const typedAir = value("temperature_c") || value("humidity_pct");
    note.textContent = now
      ? `At ${now.temperature.toFixed(1)} C, ${now.humidity.toFixed(0)} %: sound travels `
        + `${now.speed.toFixed(1)} m/s. Today's delays stand beside those planned.`
      : typedAir ? "Type the air's temperature in C, -50 to 60, and its humidity if known." : "";
    data.outputs.forEach((own, at) => {
      showToday(own, now);
      showSet(own, at, now);
      (own.readings || []).forEach((read, seat) => { if (read.means) showRead(own, at, read, seat, now); });
    });
  }
  const quoted = text => JSON.stringify(text).replace(/[\u007f-\u{10ffff}]/gu, mark => {
    const code = mark.codePointAt(0).toString(16);
    return code.length > 4 ? `\\U${code.padStart(8, "0")}` : `\\u${code.padStart(4, "0")}`;
  });
  function line(key, name, words) {
    const text = value(key), plain = typed(text);
    if (!text) return [];
    if (words === true) return [`${name} = ${quoted(text)}`];
    if (Number.isFinite(plain)) return [`${name} = ${plain}`];
    return (words || []).includes(text.toLowerCase()) ? [`${name} = ${quoted(text.toLowerCase())}`] : [];
  }
  function asSet() {
    const lines = ["[as_set]", `venue = ${quoted(data.venue)}`, ...line("temperature_c",
      "temperature_c"), ...(value("temperature_c") ? line("humidity_pct", "humidity_pct") : []),
      ...line("when", "when", true), ...line("set_by", "set_by", true)];
    data.outputs.forEach((own, at) => {
      const set = [...line(`${at} delay_ms`, "delay_ms"), ...line(`${at} trim_db`, "trim_db", ["off"]),
        ...line(`${at} low_cut_hz`, "low_cut_hz", ["none"]), ...line(`${at} shelf_db`, "shelf_db"),
        ...line(`${at} polarity`, "polarity", ["normal", "inverted"]),
        ...line(`${at} initials`, "initials", true), ...line(`${at} time`, "time", true)];
      if (set.length) lines.push("", `[output.${quoted(own.name)}]`, ...set);
    });
    data.outputs.forEach((own, at) => (own.readings || []).forEach((read, seat) => {
      const got = ["mains_dba", "fill_dba", "both_dba"].flatMap(name =>
        line(`${at} ${seat} ${name}`, name));
      if (got.length) lines.push("", "[[reading]]", `output = ${quoted(own.name)}`,
        `at_m = [${read.seat.join(", ")}]`, ...got);
    }));
    return lines.join("\n") + "\n";
  }
  function save() {
    const link = made("a");
    link.href = URL.createObjectURL(new Blob([asSet()], {type: "application/toml"}));
    link.download = data.file;
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 10000);
  }
  const tools = made("div", null, undefined, "tools");
  document.querySelector(".found").after(tools);
  const button = made("button", tools, "Save what was set and read");
  button.type = "button";
  button.addEventListener("click", save);
  const note = made("p", tools, "", "means");
  note.setAttribute("role", "status");
  fields();
  for (const part of document.querySelectorAll("select")) part.classList.add("unset");
  follow();
})();
