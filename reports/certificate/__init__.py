"""The customer's document on a job: its data, and the pages drawn from it. No models, no database."""
