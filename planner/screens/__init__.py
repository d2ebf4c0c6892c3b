"""Streamlit pages and Altair charts, thin: read, call, show."""

import gc

# what a start loads is here to stay: walking through it again and again took a sixth of the start
gc.freeze()
gc.set_threshold(100_000, 10, 20)
