"""The door: page list, shared chrome, nothing else."""

import streamlit as st

from planner.screens import pages, shell
from planner.screens.drawing import drawing

st.set_page_config(page_title="Surfacing planner", page_icon=pages.ICON, layout="wide")
listed = pages.listed()
page = st.navigation(list(listed.values()), position="top")
shell.go_where_asked(listed)
with drawing():
    if shell.opened():
        shell.chrome()
        page.run()
