"""Does the next course go better by what the patient's own teeth have shown? On known truth."""
