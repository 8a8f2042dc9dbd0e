"""placeholder"""
import pandas as pd
def unplaced(scenario, environment, booking, timeline):
    return pd.DataFrame()
