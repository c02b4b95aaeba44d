"""The seat panel in a bare page: the script in the browser, and the real Python behind it."""

from __future__ import annotations

import base64
import itertools
from pathlib import Path
from typing import Any

import fillalign.classroom.seat as home

SCRIPT = Path(home.__file__).with_name("seat.js")
_numbers = itertools.count()
_MODEL = """async ({script, values, waves}) => {
    const seat = await import(URL.createObjectURL(new Blob([script], {type: 'text/javascript'})));
    const bytes = text =>
        new DataView(Uint8Array.from(atob(text), one => one.charCodeAt(0)).buffer);
    const plain = got => Object.fromEntries(Object.entries(got).map(([key, value]) =>
        [key, ['plan', 'section'].includes(key) ? bytes(value) : value]));
    const data = {...values, waves: plain(waves)}, called = {};
    const fire = (name, ...more) => (called[name] ?? []).forEach(one => one(...more));
    const take = got => {
        const changed = Object.keys(got);
        for (const key of changed) data[key] = key === 'waves' ? plain(got.waves) : got[key];
        changed.forEach(key => fire(`change:${key}`));
    };
    const kernel = {statusChanged: {connect: one => { window.kernelSays = one; }, disconnect() {}}};
    const model = {
        get: key => data[key], set: (key, value) => { data[key] = value; },
        on: (name, one) => (called[name] ??= []).push(one), off() {},
        save_changes: async () => take(await window.askPython(PANEL, {asked: data.asked})),
        send: async message => {
            const sent = await window.askPython(PANEL, {sound: message.sound});
            fire('msg:custom', {sound: message.sound}, [bytes(sent.sound)]);
        },
        widget_manager: {kernel},
    };
    const el = document.createElement('div');
    document.body.append(el);
    (window.seats ??= []).push({seat, model, take, end: seat.default.render({model, el})});
}"""


def text(data: bytes) -> str:
    """Return bytes as text that a page can take."""
    return base64.b64encode(data).decode()


class SeatPage:
    """A page with one or more seat panels, each with its Python object."""

    def __init__(self, page: Any) -> None:
        self.panels = []
        self.open(page)

    def open(self, page: Any) -> None:
        """Open a page with the panels there are."""
        self.page, shown, self.panels = page, self.panels, []
        # Worklets want a secure page, which localhost is; no server is asked. A site of its own
        # has a process of its own: a rendering that Chromium never ends holds up no other page.
        place = f"http://seat{next(_numbers)}.localhost/"
        page.route(place, lambda route: route.fulfill(
            body="<body style='margin: 4px'></body>", content_type="text/html"))
        page.expose_function("askPython", self._answer)
        page.goto(place)
        for panel in shown:
            self.add(panel)

    def add(self, panel: Any) -> Any:
        """Show a panel; return its place in the page."""
        self.panels.append(panel)
        values = {name: getattr(panel.view, name) for name in ("hall", "hands", "asked", "told",
                                                               "large")}
        # Each script knows which panel of the page is its own.
        script = _MODEL.replace("PANEL", str(len(self.panels) - 1))
        self.page.evaluate(script, {"script": SCRIPT.read_text(encoding="utf-8"),
                                    "values": values, "waves": self._waves(panel)})
        return self.page.locator(".fill-seat").nth(len(self.panels) - 1)

    def _waves(self, panel: Any) -> dict[str, Any]:
        return {key: text(value) if isinstance(value, bytes) else value
                for key, value in panel.view.waves.items()}

    def _answer(self, number: int, said: dict[str, Any]) -> dict[str, Any]:
        panel = self.panels[number]
        if "sound" in said:
            return {"sound": text(panel.sounds[said["sound"]])}
        before = panel.view.waves
        panel.view.asked = said["asked"]
        answer = {name: getattr(panel.view, name) for name in ("hands", "asked", "told")}
        return answer if panel.view.waves is before else {**answer, "waves": self._waves(panel)}
