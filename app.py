"""Starts the app: its pages, behind the door that asks who comes."""

from starlette.middleware import Middleware
from streamlit.starlette import App

from diagnose.screens import pocket_served, small_served
from diagnose.screens.door import Door
from diagnose.screens.drawer import clear_out
from diagnose.screens.start import NAVIGATION, warm_up, went_wrong

warm_up()
clear_out()
app = App(NAVIGATION, routes=[*pocket_served.ROUTES, *small_served.ROUTES], middleware=[Middleware(Door)],
          on_script_error=went_wrong)
