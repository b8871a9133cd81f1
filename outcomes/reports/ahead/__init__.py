"""The next course of a patient, as a sheet to print."""
