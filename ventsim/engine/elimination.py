"""The compiled factorisation of the symmetric matrices of a network, with the pattern of `wiring.Elimination`."""

from ventsim.engine.compiling import compiled

# A pivot that has lost all but this part of its diagonal belongs to a node that nothing supplies.
LOST_PIVOT = 1e-12


@compiled
def factorise(first, later, target, row, coupling):
    """Factor the matrix in place; the inverse pivot of a node that nothing supplies is set to 0.

    `row` is the table of the nodes with their `diagonal` and `inverse`; `coupling` has the shape of `later` and
    holds values of at most 0.  The matrix is a diagonal matrix plus the Laplacian of a graph, so no pivoting is
    needed.
    """
    for i in range(row.shape[0]):
        row[i].inverse = row[i].diagonal
    pair = 0
    for i in range(row.shape[0]):
        pivot = row[i].diagonal
        # `inverse` still holds the diagonal as it was before any elimination.
        inverse = 1.0 / pivot if pivot > LOST_PIVOT * row[i].inverse else 0.0
        row[i].inverse = inverse
        for s in range(first[i], first[i + 1]):
            scaled = coupling[s] * inverse
            row[later[s]].diagonal -= scaled * coupling[s]
            for t in range(s + 1, first[i + 1]):
                coupling[target[pair]] -= scaled * coupling[t]
                pair += 1
            coupling[s] = scaled


@compiled
def solve_factored(first, later, row, coupling):
    """Replace the column `right` of the table of nodes by the solution, with the factor of `factorise`."""
    n = row.shape[0]
    for i in range(n):
        value = row[i].right
        for s in range(first[i], first[i + 1]):
            row[later[s]].right -= coupling[s] * value
    for i in range(n - 1, -1, -1):
        value = row[i].right * row[i].inverse
        for s in range(first[i], first[i + 1]):
            value -= coupling[s] * row[later[s]].right
        row[i].right = value
