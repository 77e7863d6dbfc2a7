// SPDX-License-Identifier: GPL-2.0
/*
 * A PWM of two channels that drives nothing: it keeps what it is set to and tells the
 * kernel's log of every change, as `rig-pwm: CHANNEL PERIOD_NS DUTY_NS ENABLED`.
 */
#include <linux/module.h>
#include <linux/platform_device.h>
#include <linux/pwm.h>

static int apply(struct pwm_chip *chip, struct pwm_device *pwm, const struct pwm_state *state)
{
	pr_info("rig-pwm: %u %llu %llu %d\n", pwm->hwpwm, state->period, state->duty_cycle,
		state->enabled);
	return 0;
}

static const struct pwm_ops ops = { .apply = apply, .owner = THIS_MODULE };
static struct pwm_chip chip = { .ops = &ops, .npwm = 2 };
static struct platform_device *device;

static int __init begin(void)
{
	int failed;

	device = platform_device_register_simple("rig-pwm", -1, NULL, 0);
	if (IS_ERR(device))
		return PTR_ERR(device);
	chip.dev = &device->dev;
	failed = pwmchip_add(&chip);
	if (failed)
		platform_device_unregister(device);
	return failed;
}

static void __exit end(void)
{
	pwmchip_remove(&chip);
	platform_device_unregister(device);
}

module_init(begin);
module_exit(end);
MODULE_LICENSE("GPL");
