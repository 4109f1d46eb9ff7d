/* Places on lengthwise lines, and on the rule that lies along them. */
#include "board_internal.h"

double sp_lengthwise_at(const sp_lengthwise *line, double u_px)
{
  return line->at_px + line->slope * u_px;
}

bool sp_on_rule(const sp_marks_options *o, double u_px, double v_px, double slack_px)
{
  const double turn = o->rule_slope * u_px;
  return o->has_rule && v_px > o->rule_v0_px + turn - slack_px && v_px < o->rule_v1_px + turn + slack_px;
}
