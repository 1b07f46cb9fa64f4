"""Coefficients of the stiffly accurate Rosenbrock method RODAS.

E. Hairer and G. Wanner, Solving Ordinary Differential Equations II, 2nd ed., Springer 1996, section VI.4: order 4
with an embedded order 3 and continuous output of order 3; L-stable; 6 stages.  In the transformed form of section
IV.7, which needs no product with the Jacobian.  From memory; tests hold them to the order conditions and to the
measured order of convergence.
"""

import numpy as np

ORDER = 4
STAGES = 6
GAMMA = 0.25
TIMES = np.array([0.0, 0.386, 0.21, 0.63, 1.0, 1.0])
SLOPES = np.array([0.25, -0.1043, 0.1035, -0.0362, 0.0, 0.0])
ARGUMENTS = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0],
        [1.544, 0.0, 0.0, 0.0, 0.0],
        [0.9466785280815826, 0.2557011698983284, 0.0, 0.0, 0.0],
        [3.314825187068521, 2.896124015972201, 0.9986419139977817, 0.0, 0.0],
        [1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950, 0.0],
        [1.221224509226641, 6.019134481288629, 12.53708332932087, -0.6878860361058950, 1.0],
    ]
)
COUPLINGS = np.array(
    [
        [0.0, 0.0, 0.0, 0.0, 0.0],
        [-5.6688, 0.0, 0.0, 0.0, 0.0],
        [-2.430093356833875, -0.2063599157091915, 0.0, 0.0, 0.0],
        [-0.1073529058151375, -9.594562251023355, -20.47028614809616, 0.0, 0.0],
        [7.496443313967647, -10.24680431464352, -33.99990352819905, 11.70890893206160, 0.0],
        [8.083246795921522, -7.981132988064893, -31.52159432874371, 16.31930543123136, -6.058818238834054],
    ]
)
DENSE = np.array(
    [
        [10.12623508344586, -7.487995877610167, -34.80091861555747, -7.992771707568823, 1.025137723295662, 0.0],
        [-0.6762803392801253, 6.087714651680015, 16.43084320892478, 24.76722511418386, -6.594389125716872, 0.0],
    ]
)
