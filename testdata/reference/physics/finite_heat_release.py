"""Reference for the finite-heat-release cycle of models/cycle: pressure form, plain fourth-order Runge-Kutta.

r = 10, gamma = 1.4, q = 20 p1 V1, Wiebe a = 5, n = 3, 40 degrees, cosine piston (Ferguson and Kirkpatrick, Internal
Combustion Engines). Run: python3 finite_heat_release.py > finite_heat_release.csv
"""
import math


def run(start, duration=40.0, q=20.0, r=10.0, g=1.4, h=0.02):
    def vol(t):
        return (1 + (r - 1) / 2 * (1 - math.cos(math.radians(t)))) / r

    def dvol(t):
        return (r - 1) / 2 * math.sin(math.radians(t)) / r * math.pi / 180

    def slope(t, p):
        u = (t - start) / duration
        dx = 15 * u * u * math.exp(-5 * u**3) / duration if u > 0 else 0.0
        return -g * p / vol(t) * dvol(t) + (g - 1) / vol(t) * q * dx

    p, t, work, peak, angle = 1.0, -180.0, 0.0, 0.0, 0.0
    for _ in range(round(360 / h)):
        k1 = slope(t, p)
        k2 = slope(t + h / 2, p + h / 2 * k1)
        k3 = slope(t + h / 2, p + h / 2 * k2)
        k4 = slope(t + h, p + h * k3)
        middle = p + h / 2 * k2
        end = p + h / 6 * (k1 + 2 * k2 + 2 * k3 + k4)
        work += h / 6 * (p * dvol(t) + 4 * middle * dvol(t + h / 2) + end * dvol(t + h))
        p, t = end, t + h
        if p > peak:
            peak, angle = p, t
    return peak, angle, work, work / q, work / (1 - 1 / r)


print("start_deg,peak_over_p1,angle_deg,work,efficiency,imep_over_p1")
for s in (-20.0, 0.0):
    print(f"{s:g}," + ",".join(f"{v:.5f}" for v in run(s)))
