"""The pages of the stock app, one module for each thing a person does."""
