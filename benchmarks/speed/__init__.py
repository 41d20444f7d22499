"""The claims on speed and the spectra they are measured on."""
