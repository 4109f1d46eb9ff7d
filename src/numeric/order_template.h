/* Order statistics by selection, for one type of real. Included by order.c once a type, with
 *   REAL     double or float
 *   NAME(f)  the function's name for that type
 *
 * Selection with the median of three as pivot. What is moved depends on no branch: of values in no order a processor
 * foretells every other one wrongly, and that would cost more than all the rest. What is not less than the pivot is
 * parted once more where the place sought lies there, so that many equal values (an 8-bit picture!) cost no more than
 * different ones. The pivot itself always ends up in the middle part, so every round leaves fewer values, also among
 * NANs: those give a wrong order but no access out of bounds.
 */

static REAL NAME(pivot_)(const REAL *x, size_t low, size_t high)
{
  const REAL a = x[low], b = x[low + (high - low) / 2], c = x[high];
  if (a < b)
    return b < c ? b : a < c ? c : a;
  return a < c ? a : b < c ? c : b;
}

/* Moves what is less than the pivot (or not greater, with `equal`) to the front; where that ends. */
static inline size_t NAME(part_)(REAL *x, size_t low, size_t past, REAL pivot, bool equal)
{
  size_t end = low;
  for (size_t i = low; i < past; i++) {
    const REAL value = x[i];
    x[i] = x[end];
    x[end] = value;
    end += (size_t)(equal ? !(value > pivot) : value < pivot);
  }
  return end;
}

/* Rearranges so that x[k] is what it would be after sorting, nothing before it larger, nothing after it smaller. */
static REAL NAME(select_)(REAL *x, size_t n, size_t k)
{
  size_t low = 0, past = n;
  while (past - low > 1) {
    const REAL pivot = NAME(pivot_)(x, low, past - 1);
    const size_t less = NAME(part_)(x, low, past, pivot, false);
    if (k < less) {
      past = less;
      continue;
    }
    const size_t equal = NAME(part_)(x, less, past, pivot, true);
    if (k < equal)
      break;
    low = equal;
  }
  return x[k];
}

static REAL NAME(quantile_)(REAL *x, size_t n, double q)
{
  if (n == 0 || !(q >= 0.0 && q <= 1.0))
    return (REAL)NAN;
  const double place = (double)(n - 1) * q;
  size_t k = (size_t)place;
  if (k > n - 1)
    k = n - 1;
  const double part = place - (double)k;
  const REAL below = NAME(select_)(x, n, k);
  if (!(part > 0.0) || k + 1 == n)
    return below;
  REAL above = x[k + 1];
  for (size_t i = k + 2; i < n; i++)
    if (x[i] < above)
      above = x[i];
  return above > below ? (REAL)((double)below + part * ((double)above - (double)below)) : below;
}

#undef REAL
#undef NAME
