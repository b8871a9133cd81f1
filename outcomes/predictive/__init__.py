"""What the next course will bring: past cases and a patient's own courses in one distribution.

The model of one movement, all classes of teeth together; result y at plan x (signed)::

    y = x (b[class, direction, arch] + k (|x| / typical - 1) + patient + course of the patient
           + tooth of the patient + course of the tooth) + residual

Rates of classes, directions and arches are drawn from one distribution, so that those with few
records lean on the others. Given the standard deviations all is Gaussian and exact; these are
integrated over (``posterior``), and a prediction is the mixture that results (``mixture``).
"""
