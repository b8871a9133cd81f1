"""The facts of the trade: movements, teeth, tables, limits. They stand here and nowhere else."""
