
/* What the strategy "@STRATEGY@" holds, in the mean over what the load may be. */
struct loadlearn_settings {
    real power_retention; /* share of the extra torque to keep under sustained demand, 0 to 1 */
    real full_share_time_s; /* how long all of it may be kept before that, 0 to 60 s */
    real economy; /* how far demand is restrained, 0 to 1 */
    int load_known; /* 0 while the mass is not known well enough; all settings are then 0 */
};

/* Look the settings up for what is known now, at the grade and the speed that are asked for.
   Returns 1, or 0 and settings of 0 where one of the two cannot be.

   THIS IS THE TABLE ALONE. What heat sustains, the protections (exhaust, coolant, oil, air-fuel
   ratio, ratings, brake, aids), which always win, and the pace at which settings may change are
   not in it. */
int loadlearn_look_up(struct loadlearn_step *step, real grade_percent, real speed_m_s,
    struct loadlearn_settings *settings);
