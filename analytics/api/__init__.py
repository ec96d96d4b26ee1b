"""The API of forecasts and promises: each view a thin edge."""
