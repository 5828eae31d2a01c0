#define ISR(name) void name(void)
#define sei() ((void)0)
