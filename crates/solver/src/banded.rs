//! Symmetric positive definite systems whose entries lie near the diagonal.
//!
//! Everything that is smooth over frames leads to such a matrix; its Cholesky factor costs
//! `n · bandwidth²`, so the work grows linearly with the number of frames. Golub and Van Loan,
//! *Matrix Computations*, section 4.3.5 (band Cholesky).

/// The lower half of a symmetric band matrix: row `i` holds columns `i - bandwidth ..= i`.
#[derive(Clone, Debug)]
pub struct BandedMatrix {
    size: usize,
    bandwidth: usize,
    rows: Vec<f64>,
}

/// The matrix of a linear system was not positive definite.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub struct NotPositive {
    /// Row at which the factorisation failed.
    pub row: usize,
}

impl BandedMatrix {
    /// All zero.
    pub fn new(size: usize, bandwidth: usize) -> Self {
        Self {
            size,
            bandwidth,
            rows: vec![0.0; size * (bandwidth + 1)],
        }
    }

    fn at(&self, row: usize, column: usize) -> usize {
        row * (self.bandwidth + 1) + self.bandwidth + column - row
    }

    /// Adds to the entry (`row`, `column`) and, by symmetry, to its mirror.
    ///
    /// # Panics
    /// If the entry lies outside the band.
    pub fn add(&mut self, row: usize, column: usize, value: f64) {
        let (row, column) = (row.max(column), row.min(column));
        assert!(row - column <= self.bandwidth, "entry outside the band");
        let at = self.at(row, column);
        self.rows[at] += value;
    }

    /// Adds `weight · v vᵀ` for a sparse vector `v` of (index, value).
    pub fn add_outer(&mut self, vector: &[(usize, f64)], weight: f64) {
        for (n, &(i, a)) in vector.iter().enumerate() {
            for &(j, b) in &vector[..=n] {
                self.add(i, j, weight * a * b);
            }
        }
    }

    /// The Cholesky factor, in the place of the matrix.
    ///
    /// # Errors
    /// A matrix that is not positive definite.
    pub fn factor(mut self) -> Result<BandedFactor, NotPositive> {
        let width = self.bandwidth;
        for row in 0..self.size {
            let first = row.saturating_sub(width);
            for column in first..=row {
                let from = first.max(column.saturating_sub(width));
                let mut sum = self.rows[self.at(row, column)];
                let (a, b) = (self.at(row, from), self.at(column, from));
                let count = column - from;
                for (x, y) in self.rows[a..a + count].iter().zip(&self.rows[b..b + count]) {
                    sum -= x * y;
                }
                let at = self.at(row, column);
                if row == column {
                    if !(sum > 0.0 && sum.is_finite()) {
                        return Err(NotPositive { row });
                    }
                    self.rows[at] = sum.sqrt();
                } else {
                    self.rows[at] = sum / self.rows[self.at(column, column)];
                }
            }
        }
        Ok(BandedFactor(self))
    }
}

/// A factorised [`BandedMatrix`].
#[derive(Clone, Debug)]
pub struct BandedFactor(BandedMatrix);

impl BandedFactor {
    /// Solves for one right-hand side, in its place.
    ///
    /// # Panics
    /// If `values` has another length than the matrix.
    pub fn solve(&self, values: &mut [f64]) {
        let matrix = &self.0;
        assert_eq!(values.len(), matrix.size, "right-hand side of another size");
        let entry = |row: usize, column: usize| matrix.rows[matrix.at(row, column)];
        for row in 0..matrix.size {
            let first = row.saturating_sub(matrix.bandwidth);
            let sum: f64 = (first..row).map(|c| entry(row, c) * values[c]).sum();
            values[row] = (values[row] - sum) / entry(row, row);
        }
        for row in (0..matrix.size).rev() {
            let value = values[row] / entry(row, row);
            values[row] = value;
            let first = row.saturating_sub(matrix.bandwidth);
            for (column, above) in values.iter_mut().enumerate().take(row).skip(first) {
                *above -= entry(row, column) * value;
            }
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    proptest! {
        /// Plants a solution and requires it back.
        #[test]
        fn a_planted_solution_comes_back(
            seed in proptest::collection::vec(-1.0..1.0f64, 80), bandwidth in 1usize..6,
        ) {
            let size = 20;
            let mut matrix = BandedMatrix::new(size, bandwidth);
            let mut dense = vec![vec![0.0; size]; size];
            for row in 0..size {
                let columns = row..(row + bandwidth + 1).min(size);
                let vector: Vec<(usize, f64)> =
                    columns.map(|c| (c, seed[(row * 3 + c) % seed.len()])).collect();
                matrix.add_outer(&vector, 1.0);
                matrix.add(row, row, 0.1);
                dense[row][row] += 0.1;
                for &(i, a) in &vector {
                    for &(j, b) in &vector {
                        dense[i][j] += a * b;
                    }
                }
            }
            let planted = &seed[..size];
            let mut values: Vec<f64> = dense
                .iter()
                .map(|row| row.iter().zip(planted).map(|(a, x)| a * x).sum())
                .collect();
            matrix.factor().unwrap().solve(&mut values);
            for (a, b) in values.iter().zip(planted) {
                prop_assert!((a - b).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn an_indefinite_matrix_is_refused() {
        let mut matrix = BandedMatrix::new(2, 1);
        matrix.add(0, 0, 1.0);
        matrix.add(1, 0, 2.0);
        matrix.add(1, 1, 1.0);
        assert_eq!(matrix.factor().unwrap_err(), NotPositive { row: 1 });
    }
}
