"""What a grouped and placed tray will be as a pack, with and without a load."""

from cellmatch.prediction.groups import (
    NO_RESISTANCE,
    GroupPrediction,
    joining_limit_a,
    joining_window_mv,
    random_weakest_mah,
)
from cellmatch.prediction.load import CellLoad, LoadCase, LoadPrediction, predict_load
from cellmatch.prediction.safety import BalancePrediction, SettlingPrediction, ShortPrediction
from cellmatch.prediction.whole import Prediction, predict_pack

__all__ = [
    "NO_RESISTANCE",
    "BalancePrediction",
    "CellLoad",
    "GroupPrediction",
    "LoadCase",
    "LoadPrediction",
    "Prediction",
    "SettlingPrediction",
    "ShortPrediction",
    "joining_limit_a",
    "joining_window_mv",
    "predict_load",
    "predict_pack",
    "random_weakest_mah",
]
