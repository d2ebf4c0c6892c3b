"""A tap under way: said at once at the foot of the window, wherever it is scrolled to, till the server has answered. And a
finger that bounces: where the page has meanwhile put another key under it, its second tap is no tap.

Only the browser knows of a tap before the server does, so this is a component of its own; it changes nothing on the page
but itself.
"""

from __future__ import annotations

import streamlit as st

_RUNS = "pending runs"
_SLOW_MS = 5000
# nobody reads a key, decides and taps it within 0.4 s at the place of the last tap
_BOUNCE_MS, _NEAR_PX = 400, 30

_HTML = '<div class="pending" role="status" hidden></div>'

_CSS = """
.pending {
  position: fixed; bottom: 1rem; left: 50%; transform: translateX(-50%); z-index: 999; max-width: 80vw;
  padding: 0.5rem 1rem; border-radius: 0.5rem; font-family: var(--st-font); font-weight: 600;
  color: var(--st-orange-text-color); background: var(--st-background-color);
  border: 2px solid var(--st-orange-text-color);
}
.pending[hidden] { display: none; }
"""

_JS = """
let last = { at: -1e9, x: 0, y: 0, words: "" };

export default function ({ data, parentElement }) {
  const said = parentElement.querySelector(".pending");
  said.hidden = true;
  let slow;
  const tapped = (event) => {
    const button = event.target.closest && event.target.closest('[data-testid="stButton"] button');
    if (!button || button.disabled) return;
    const words = (button.querySelector("p") || button).textContent;
    const near = Math.hypot(event.clientX - last.x, event.clientY - last.y) < data.near_px;
    // a key pressed from the keyboard has no place (detail 0); on the same key the server counts
    if (event.detail && near && words !== last.words && event.timeStamp - last.at < data.bounce_ms) {
      event.stopImmediatePropagation();
      event.preventDefault();
      return;
    }
    last = { at: event.timeStamp, x: event.clientX, y: event.clientY, words };
    said.textContent = data.storing + words;
    said.hidden = false;
    clearTimeout(slow);
    slow = setTimeout(() => { said.textContent = data.waiting + words; }, data.slow_ms);
  };
  document.addEventListener("click", tapped, true);
  return () => {
    clearTimeout(slow);
    document.removeEventListener("click", tapped, true);
  };
}
"""


def draw() -> None:
    """Mount it after what says what is stored. Each run of the page is an answer, and takes the words away."""
    runs = st.session_state[_RUNS] = st.session_state.get(_RUNS, 0) + 1
    mount = st.components.v2.component("pending_tap", html=_HTML, css=_CSS, js=_JS)
    told = {"run": runs, "slow_ms": _SLOW_MS, "bounce_ms": _BOUNCE_MS, "near_px": _NEAR_PX}
    told |= {"storing": "Storing: ", "waiting": "Not stored yet, no answer: "}
    mount(data=told, key="pending tap", height="content")
