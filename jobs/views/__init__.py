"""The pages of the jobs: each a thin edge over a service or a selector."""
