"""A Kalman filter of four states, to be read: chapter 3 shows it and holds it to the package's own.

It stands on nothing but numpy, so that agreement with the compiled filter says something of both.
The state is x = (E, phi, c, kappa): energy height, inverse mass, rolling resistance and drag per
mass. In energy height the force balance is linear, so this is Kalman's filter of 1960 as it stands.
"""

from __future__ import annotations

import numpy as np

TYRE_RISE = 0.0010  # of the rolling resistance from standstill to 20 m/s
G = 9.80665  # m/s^2


def transition(row):
    """A and known input u of x <- A x + u over an interval: work in, rolling and drag out."""
    A = np.eye(4)
    A[0, 1] = row["work_kg_m"] + row["rotating_step_kg_m"]  # per phi
    A[0, 2] = -row["distance_cos_m"]  # per c
    A[0, 3] = -row["drag2"]  # per kappa: integral of rho v^2 / 2 dx / g
    return A, np.array([-TYRE_RISE * row["slope_m"] - row["bends_m"], 0.0, 0.0, 0.0])


def four_state_filter(rows, x, P, noise):
    """Means, covariances, innovations nu and their variances S after every row.

    ``rows`` are intervals of a drive, ``x`` and ``P`` the belief before it, ``noise`` the levels:
    white (of the slope), speed_sd_m_s, roll_walk_per_s05 and open_variance_m2.
    """
    means, covariances, news, spreads = [], [], [], []
    started = False
    for row in rows:
        # Predict: what the interval did to the energy height.
        if row["known"] > 0.5:
            A, u = transition(row)
            E_noise = (noise.white * row["speed_m_s"]) ** 2 * row["dt_s"] + 1e-10
            Q = np.diag([E_noise, 0.0, noise.roll_walk_per_s05**2 * row["dt_s"], 0.0])
            x, P = A @ x + u, A @ P @ A.T + Q
        else:  # braking, changing gear: the energy may have gone anywhere
            P = P + np.diag([noise.open_variance_m2, 0.0, 0.0, 0.0])
        # Update: speed and height measure E, but for what the rotating parts hold.
        nu, S = np.nan, np.nan
        if np.isfinite(row["measured_m"]):
            H = np.array([1.0, -row["rotating_kg_m"], 0.0, 0.0])
            R = (row["speed_m_s"] * noise.speed_sd_m_s / G) ** 2
            R += (noise.speed_sd_m_s**2 / G) ** 2 + 1e-10
            if not started:  # nothing was known of E before
                T = np.diag([0.0, 1.0, 1.0, 1.0]) + np.outer([1.0, 0, 0, 0], [0.0, *-H[1:]])
                x, P = T @ x + [row["measured_m"], 0, 0, 0], T @ P @ T.T
                P[0, 0] += R
                started = True
            else:
                nu, S = row["measured_m"] - H @ x, H @ P @ H + R
                K = P @ H / S
                x, P = x + K * nu, P - np.outer(K, H @ P)
                P = 0.5 * (P + P.T)
        means.append(x), covariances.append(P), news.append(nu), spreads.append(S)
    return np.array(means), np.array(covariances), np.array(news), np.array(spreads)
