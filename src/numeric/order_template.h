/* Order statistics by selection, for one type of real. Included by order.c once a type, with
 *   REAL     double or float
 *   NAME(f)  the function's name for that type
 *
 * Hoare's selection with the median of three as pivot: both scans stop at values equal to the pivot, so that many equal
 * values (an 8-bit picture!) cost no more than different ones. Every scan is stopped by the pivot itself or by a value
 * just exchanged, also among NANs: those give a wrong order but no access out of bounds.
 */

static void NAME(swap_)(REAL *a, REAL *b)
{
  const REAL t = *a;
  *a = *b;
  *b = t;
}

static REAL NAME(pivot_)(const REAL *x, size_t low, size_t high)
{
  const REAL a = x[low], b = x[low + (high - low) / 2], c = x[high];
  if (a < b)
    return b < c ? b : a < c ? c : a;
  return a < c ? a : b < c ? c : b;
}

/* Rearranges so that x[k] is what it would be after sorting, nothing before it larger, nothing after it smaller. */
static REAL NAME(select_)(REAL *x, size_t n, size_t k)
{
  ptrdiff_t low = 0, high = (ptrdiff_t)n - 1;
  const ptrdiff_t want = (ptrdiff_t)k;
  while (low < high) {
    const REAL pivot = NAME(pivot_)(x, (size_t)low, (size_t)high);
    ptrdiff_t i = low, j = high;
    while (i <= j) {
      while (x[i] < pivot)
        i++;
      while (x[j] > pivot)
        j--;
      if (i <= j)
        NAME(swap_)(&x[i++], &x[j--]);
    }
    if (want <= j)
      high = j;
    else if (want >= i)
      low = i;
    else
      break;
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
