"""The lead writes this file now; dp_rise's author goes on with oil_carry_over, then strainer_blinding."""
