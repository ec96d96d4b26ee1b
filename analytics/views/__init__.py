"""The pages of forecasts and promises: each a thin edge over a service or a selector."""
