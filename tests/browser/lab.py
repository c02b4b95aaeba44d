"""JupyterLab on a copy of the lessons, and one lesson open in it."""

from __future__ import annotations

import ast
import json
import os
import re
import shutil
import signal
import socket
import subprocess
import sys
import time
import urllib.error
import urllib.request
from collections.abc import Sequence
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
NOTEBOOKS = sorted((ROOT / "notebooks").glob("*.ipynb"))
SLOW_S = 180.0
"""How long anything may take before it counts as stuck; most takes under a second."""
KEY_S = 30.0
"""How long the kernel may take to answer a key press, before it is pressed again."""
TRIES = 4
"""How often a key is pressed on a machine too busy to notice."""

_SETTINGS = {
    "apputils-extension/notification": {"fetchNews": "false", "checkForUpdates": False},
    # All cells in the page at once, so that what is looked for in the page can be found.
    "notebook-extension/tracker": {"windowingMode": "none", "scrollPastEnd": False},
}

_KERNEL_READY = """async () => {
    const context = window.jupyterapp?.shell?.currentWidget?.sessionContext;
    if (!context) return false;
    await context.ready;
    return !!context.session?.kernel;
}"""
_RUN_ALL = """() => {
    window.ranAll = null;
    window.jupyterapp.commands.execute('notebook:run-all-cells').then(
        right => { window.ranAll = {right}; }, error => { window.ranAll = {error: `${error}`}; });
}"""
_OUTPUTS = """() => Array.from(window.jupyterapp.shell.currentWidget.content.widgets,
    (cell, index) => (cell.model.outputs?.toJSON() ?? []).map(output => ({index, ...output}))
).flat()"""
_WATCH = """panel => {
    const kernel = window.jupyterapp.shell.currentWidget.sessionContext.session.kernel;
    const shown = () => Array.from(panel.querySelectorAll('img, audio source'),
                                   part => part.getAttribute('src')).join(' ');
    const ready = () => Array.from(panel.querySelectorAll('img')).every(
        image => image.complete && image.naturalWidth);
    const before = shown();
    window.changedAfter = null;
    window.handledAt = null;
    const heard = (_, message) => {
        if (message.header.msg_type === 'status' && message.content.execution_state === 'idle'
                && message.parent_header.msg_type === 'comm_msg') {
            window.handledAt = performance.now();
            kernel.iopubMessage.disconnect(heard);
        }
    };
    kernel.iopubMessage.connect(heard);
    const pressed = () => {
        const start = performance.now();
        const look = () => {
            if (shown() !== before && ready())
                window.changedAfter = performance.now() - start;
            else if (window.handledAt === null || performance.now() < window.handledAt + 1500)
                requestAnimationFrame(look);
        };
        look();
    };
    document.addEventListener('keydown', pressed, {capture: true, once: true});
}"""
_DONE = """() => window.changedAfter !== null
    || (window.handledAt !== null && performance.now() > window.handledAt + 1500)"""
_FOCUSED = "part => part === document.activeElement"
_FOCUS_SOUND = """panel => {
    const sound = Array.from(panel.querySelectorAll('audio')).pop();
    sound?.scrollIntoView({block: 'center'});
    sound?.focus();
    return !!sound && sound === document.activeElement;
}"""
_PLAYS = """panel => Array.from(panel.querySelectorAll('audio')).some(
    one => !one.paused && one.currentTime > 0)"""
_CLIPPED = """() => Array.from(document.querySelectorAll(
    '.fill-panel .widget-label, .fill-panel .widget-readout, .fill-panel .fill-words, ' +
    '.fill-panel button, .fill-panel'))
    .filter(part => part.offsetParent && part.scrollWidth > part.clientWidth + 1)
    .map(part => `${part.className}: ${part.innerText.slice(0, 60)}`)
    .concat(Array.from(document.querySelectorAll('.fill-panel .noUi-target'))
        .filter(part => part.offsetParent && part.clientWidth < 80)
        .map(part => `slider of ${part.clientWidth} px: ` +
            part.closest('.widget-slider').innerText))
"""
_STATE = """panel => [...panel.querySelectorAll(
    '.fill-readout, .fill-reply, .fill-table, .said, .value, .verdict, button[aria-pressed]')].map(
        part => part.innerText + part.getAttribute('aria-pressed')).join('|')
    + [...panel.querySelectorAll('input[type=checkbox], select')].map(
        part => part.checked ?? part.value).join('|')
    + [...panel.querySelectorAll('img')].map(image => image.getAttribute('src')).join('|')
    + panel.querySelector('[role=application]')?.getAttribute('aria-label')"""
_OUT_OF_REACH = """() => Array.from(document.querySelectorAll(
    '.fill-panel :is(button, input, select, .noUi-handle, [role=application])'))
    .filter(part => part.offsetParent && !part.disabled && part.tabIndex < 0
        && part.type !== 'file')
    .map(part => part.outerHTML.slice(0, 80))"""
_FROM_TOP = """() => {
    const outer = document.querySelector('.jp-Notebook .jp-WindowedPanel-outer')
        ?? document.querySelector('.jp-Notebook');
    outer.scrollTop = 0;
    return outer.scrollHeight;
}"""


def poll(what: str, check: Any, *, longest_s: float = SLOW_S, every_s: float = 0.05) -> Any:
    """Return what `check` returns once it is true, or fail with what was waited for."""
    until = time.monotonic() + longest_s
    while not (found := check()):
        if time.monotonic() > until:
            raise TimeoutError(f"waited {longest_s:g} s for {what}")
        time.sleep(every_s)
    return found


def insist(what: str, act: Any, check: Any) -> None:
    """Do something as often as it takes to have an effect, as a learner would."""
    for tried in range(TRIES):
        act()
        try:
            poll(what, check, longest_s=KEY_S)
        except TimeoutError:
            if tried + 1 == TRIES:
                raise
        else:
            return


class Lab:
    """A JupyterLab server of our own; its kernels are the interpreter that runs the tests."""

    def __init__(self, folder: Path) -> None:
        self.folder, self.root = folder, folder / "lessons"
        ignored = shutil.ignore_patterns("sheets", "takes", ".ipynb_checkpoints")
        for name in ("notebooks", "data"):
            shutil.copytree(ROOT / name, self.root / name, ignore=ignored)
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.log = folder / "server.log"
        with self.log.open("wb") as log:
            self._process = subprocess.Popen(
                [sys.executable, "-m", "jupyterlab", "--no-browser", "--allow-root",
                 f"--port={self.port}", "--ServerApp.port_retries=0", "--IdentityProvider.token=",
                 f"--ServerApp.root_dir={self.root}", "--expose-app-in-browser"],
                cwd=self.root, env=self._environment(folder), stdin=subprocess.DEVNULL,
                stdout=log, stderr=subprocess.STDOUT, start_new_session=True)

    def _environment(self, folder: Path) -> dict[str, str]:
        fresh = {name: folder / name.lower() for name in (
            "JUPYTERLAB_SETTINGS_DIR", "JUPYTERLAB_WORKSPACES_DIR", "JUPYTER_CONFIG_DIR",
            "JUPYTER_DATA_DIR", "JUPYTER_RUNTIME_DIR", "IPYTHONDIR")}
        for path in fresh.values():
            path.mkdir()
        for name, settings in _SETTINGS.items():
            path = (fresh["JUPYTERLAB_SETTINGS_DIR"] / "@jupyterlab"
                    / f"{name}.jupyterlab-settings")
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_text(json.dumps(settings))
        kernel = fresh["JUPYTER_DATA_DIR"] / "kernels" / "python3"
        kernel.mkdir(parents=True)
        (kernel / "kernel.json").write_text(json.dumps({
            "argv": [sys.executable, "-m", "ipykernel_launcher", "-f", "{connection_file}"],
            "display_name": "Python 3", "language": "python"}))
        paths = [str(ROOT), *filter(None, [os.environ.get("PYTHONPATH")])]
        return {**os.environ, **{name: str(path) for name, path in fresh.items()},
                "JUPYTER_PREFER_ENV_PATH": "0", "PYTHONPATH": os.pathsep.join(paths)}

    def ask(self, path: str, method: str = "GET") -> Any:
        """Return what the server answers, or None where it does not."""
        # The server takes a DELETE only with the same word in cookie and header.
        request = urllib.request.Request(f"http://127.0.0.1:{self.port}{path}", method=method,
                                         headers={"Cookie": "_xsrf=lessons",
                                                  "X-XSRFToken": "lessons"})
        try:
            with urllib.request.urlopen(request, timeout=30) as answer:
                return json.loads(answer.read() or b"true")
        except (urllib.error.URLError, OSError):
            return None

    def wait(self) -> None:
        """Wait until the server answers."""
        def answers() -> Any:
            if self._process.poll() is not None:
                raise RuntimeError(f"JupyterLab ended: {self.log.read_text()[-2000:]}")
            return self.ask("/api/status")

        poll("JupyterLab to answer", answers, every_s=0.1)

    def end_kernels(self) -> None:
        """End the kernels of lessons that are done."""
        for session in self.ask("/api/sessions") or []:
            self.ask(f"/api/sessions/{session['id']}", "DELETE")

    def stop(self) -> None:
        """End the server and what it started."""
        self.end_kernels()
        self._process.terminate()
        try:
            self._process.wait(30)
        except subprocess.TimeoutExpired:
            os.killpg(self._process.pid, signal.SIGKILL)
            self._process.wait()


class LessonPage:
    """One lesson in a page of the browser."""

    def __init__(self, page: Any, lab: Lab, notebook: Path) -> None:
        self.page, self.notebook = page, notebook
        page.set_default_timeout(SLOW_S * 1000)
        page.goto(f"http://127.0.0.1:{lab.port}/lab/tree/notebooks/{notebook.name}?reset")
        page.wait_for_selector(".jp-Notebook .jp-Cell")
        poll("the kernel", lambda: page.evaluate(_KERNEL_READY))

    def run_all(self) -> bool:
        """Run all cells; return whether JupyterLab says that all went well."""
        self.page.evaluate(_RUN_ALL)
        self.page.wait_for_function("() => window.ranAll !== null")
        return bool(self.page.evaluate("() => window.ranAll.right === true"))

    def faults(self) -> list[str]:
        """Return errors and warnings in the outputs, as the page and the notebook hold them."""
        kept = [f"cell {output['index']}: {output.get('ename', '')} {output.get('text', '')}"
                for output in self.page.evaluate(_OUTPUTS)
                if output["output_type"] == "error" or output.get("name") == "stderr"]
        shown = self.page.locator(
            '.jp-RenderedText[data-mime-type="application/vnd.jupyter.stderr"], '
            '.jp-RenderedText[data-mime-type="application/vnd.jupyter.error"], '
            ".jupyter-widgets-error-widget, .fill-error:visible")
        return kept + [text for text in shown.all_inner_texts() if text.strip()]

    def expected(self, kind: str) -> int:
        """Return how many cells end in a panel of a kind: figure, player, predict, answer_box."""
        cells = json.loads(self.notebook.read_text(encoding="utf-8"))["cells"]
        bodies = [ast.parse("".join(cell["source"])).body
                  for cell in cells if cell["cell_type"] == "code"]
        ends = [ast.unparse(body[-1]) for body in bodies if body]
        return sum(bool(re.match(rf"(l\d\d\.\w+_)?{kind}\(", end)) for end in ends)

    def live_figures(self) -> Any:
        """Return the panels with a picture and something to move."""
        return self.page.locator(
            ".fill-panel:has(.noUi-handle, .widget-toggle-buttons):has(.fill-readout):has(img)")

    def live_players(self) -> Any:
        """Return the panels with sound and something to move."""
        return self.page.locator(".fill-panel:has(.fill-readout):has(audio)")

    def boxes(self, button: str) -> Any:
        """Return the panels with a certain button."""
        return self.page.locator(".fill-panel").filter(
            has=self.page.get_by_role("button", name=button, exact=True))

    def focus(self, control: Any) -> None:
        """Put the keyboard where a control is."""
        def focused() -> bool:
            control.focus()
            return bool(control.evaluate(_FOCUSED))

        poll("the focus", focused)

    def press(self, panel: Any, control: Any, keys: Sequence[str]) -> float | None:
        """Press keys from a control on; return after how many ms the panel shows or plays anew.

        The last key must reach the kernel, or all are pressed again; a small step may leave
        picture and sound as they are, which gives None.
        """
        from playwright.sync_api import TimeoutError as Unanswered

        for tried in range(TRIES):
            self.focus(control)
            for key in keys[:-1]:
                self.page.keyboard.press(key)
            panel.evaluate(_WATCH)
            self.page.keyboard.press(keys[-1])
            try:
                self.page.wait_for_function(_DONE, timeout=KEY_S * 1000)
            except Unanswered:
                if tried + 1 == TRIES:
                    raise
            else:
                break
        after = self.page.evaluate("() => window.changedAfter")
        return None if after is None else float(after)

    def key_changes(self, panel: Any, control: Any, key: str) -> None:
        """Press a key on a control until what its panel says or shows is another."""
        before = panel.evaluate(_STATE)

        def act() -> None:
            self.focus(control)
            self.page.keyboard.press(key)

        insist(f"{key} on {control}", act, lambda: panel.evaluate(_STATE) != before)

    def out_of_reach(self) -> list[str]:
        """Return the controls of panels that the Tab key passes over."""
        return list(self.page.evaluate(_OUT_OF_REACH))

    def plays(self, panel: Any) -> bool:
        """Start the last sound of a panel by the keyboard, see whether it runs, and stop it."""
        def started() -> bool:
            # Through the panel, since a sound made anew takes the place of the one there was.
            poll("the focus", lambda: panel.evaluate(_FOCUS_SOUND))
            self.page.keyboard.press("Space")
            try:
                poll("sound", lambda: panel.evaluate(_PLAYS), longest_s=5.0)
            except TimeoutError:
                return False
            return True

        running = any(started() for _ in range(TRIES))
        panel.evaluate("panel => panel.querySelectorAll('audio').forEach(one => one.pause())")
        return running

    def clipped(self) -> list[str]:
        """Return labels, readouts and buttons wider than their room, and sliders with none."""
        return list(self.page.evaluate(_CLIPPED))

    def screenshot(self, path: Path) -> None:
        """Save the whole lesson as one picture, then go back to the usual window."""
        usual = self.page.viewport_size
        # Pictures that take a share of the window grow with it: then it grows once more.
        for _ in range(2):
            height = min(int(self.page.evaluate(_FROM_TOP)) + 150, 16000)
            self.page.set_viewport_size({**usual, "height": height})
        self.page.evaluate(_FROM_TOP)
        path.parent.mkdir(exist_ok=True)
        self.page.screenshot(path=path, timeout=SLOW_S * 1000)
        self.page.set_viewport_size(usual)
