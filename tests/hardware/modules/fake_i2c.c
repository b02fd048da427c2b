// SPDX-License-Identifier: MIT OR GPL-2.0
/*
 * An I2C bus that isn't there, for tests of the kernel's real chip drivers. Two chips are on it:
 *
 *   0x48  a converter with an input multiplexer, four inputs, 16 bits (registers and conversion: TI SBAS444, ADS1115)
 *   0x6f  a supply monitor (registers: Analog Devices LTC4151)
 *
 * Each has a folder in debugfs below fake_i2c: `inputs`, write "<number> <microvolts>"; `fault`, write one of
 *   none
 *   refuse   it doesn't acknowledge its address: ENXIO, as most adapters report it
 *   arbitration  EAGAIN; timeout  ETIMEDOUT after a second, as most adapters have it
 *   zeros, ones  the data line is held low or high while it answers
 * `transfers` counts what it was asked. The bus has `hang` beside them: while it holds a 1, whoever transfers waits
 * in the kernel without being interruptible.
 */
#include <linux/completion.h>
#include <linux/debugfs.h>
#include <linux/delay.h>
#include <linux/i2c.h>
#include <linux/module.h>
#include <linux/mutex.h>
#include <linux/uaccess.h>

#define INPUTS 4

enum fault { NONE, REFUSE, ARBITRATION, TIMEOUT, ZEROS, ONES };
static const char *const fault_words[] = { "none", "refuse", "arbitration", "timeout", "zeros", "ones" };

struct chip {
	u16 address;
	const char *name;
	u8 width; /* bytes of a register */
	u8 pointer;
	u8 registers[16];
	s32 microvolts[INPUTS];
	enum fault fault;
	u32 transfers;
	void (*sample)(struct chip *chip);
};

static u16 get16(const struct chip *chip, unsigned int at)
{
	return chip->registers[2 * at] << 8 | chip->registers[2 * at + 1];
}

static void set16(struct chip *chip, unsigned int at, u16 value)
{
	chip->registers[2 * at] = value >> 8;
	chip->registers[2 * at + 1] = value;
}

/* SBAS444: register 0 is the conversion, register 1 the configuration with MUX in bits 14..12 and PGA in bits 11..9. */
static void sample_converter(struct chip *chip)
{
	static const s32 full_scale_uv[8] = { 6144000, 4096000, 2048000, 1024000, 512000, 256000, 256000, 256000 };
	const u16 configuration = get16(chip, 1);
	const unsigned int mux = configuration >> 12 & 7;
	static const u8 positive[4] = { 0, 0, 1, 2 }, negative[4] = { 1, 3, 3, 3 };
	s64 microvolts = mux >= 4 ? chip->microvolts[mux - 4] :
				    chip->microvolts[positive[mux]] - chip->microvolts[negative[mux]];
	const s64 code = div_s64(microvolts * 32768, full_scale_uv[configuration >> 9 & 7]);

	set16(chip, 0, clamp_t(s64, code, -32768, 32767));
	set16(chip, 1, configuration | 0x8000); /* OS: no conversion under way */
}

/* LTC4151: SENSE in registers 0 and 1, VIN in 2 and 3, 12 bits left aligned; 20 uV and 25 mV a step. Inputs 0 and 1. */
static void sample_monitor(struct chip *chip)
{
	const s32 step_uv[2] = { 20, 25000 };
	unsigned int i;

	for (i = 0; i < 2; i++)
		set16(chip, i, clamp(chip->microvolts[i] / step_uv[i], 0, 4095) << 4);
}

static struct chip chips[] = {
	{ .address = 0x48, .name = "converter", .width = 2, .registers = { 0, 0, 0x85, 0x83, 0x80, 0, 0x7f, 0xff },
	  .sample = sample_converter },
	{ .address = 0x6f, .name = "monitor", .width = 1, .sample = sample_monitor },
};

static DEFINE_MUTEX(lock);
static DECLARE_COMPLETION(freed);
static bool hanging;

static int touch(struct chip *chip, const struct i2c_msg *message)
{
	const unsigned int size = message->len;
	unsigned int i;

	if (message->flags & I2C_M_RD) {
		chip->sample(chip);
		for (i = 0; i < size; i++) {
			const unsigned int at = chip->pointer * chip->width + i;
			const u8 held = at < sizeof(chip->registers) ? chip->registers[at] : 0;

			message->buf[i] = chip->fault == ZEROS ? 0 : chip->fault == ONES ? 0xff : held;
		}
		return 0;
	}
	if (size > 0)
		chip->pointer = message->buf[0];
	for (i = 1; i < size; i++) {
		const unsigned int at = chip->pointer * chip->width + i - 1;

		if (at < sizeof(chip->registers))
			chip->registers[at] = message->buf[i];
	}
	return 0;
}

static struct chip *chip_at(u16 address)
{
	unsigned int i;

	for (i = 0; i < ARRAY_SIZE(chips); i++)
		if (chips[i].address == address)
			return &chips[i];
	return NULL;
}

static int transfer(struct i2c_adapter *adapter, struct i2c_msg *messages, int count)
{
	int i;

	if (READ_ONCE(hanging))
		wait_for_completion(&freed);
	for (i = 0; i < count; i++) {
		struct chip *chip = chip_at(messages[i].addr);
		enum fault fault;

		if (!chip)
			return -ENXIO;
		fault = READ_ONCE(chip->fault);
		chip->transfers++;
		if (fault == REFUSE)
			return -ENXIO;
		if (fault == ARBITRATION)
			return -EAGAIN;
		if (fault == TIMEOUT) {
			msleep(1000);
			return -ETIMEDOUT;
		}
		mutex_lock(&lock);
		touch(chip, &messages[i]);
		mutex_unlock(&lock);
	}
	return count;
}

static u32 functionality(struct i2c_adapter *adapter)
{
	return I2C_FUNC_I2C | I2C_FUNC_SMBUS_EMUL;
}

static const struct i2c_algorithm algorithm = { .master_xfer = transfer, .functionality = functionality };
static struct i2c_adapter adapter = { .owner = THIS_MODULE, .name = "fake_i2c", .algo = &algorithm };

/* debugfs */

static int words_of(const char __user *from, size_t size, char *text, size_t room)
{
	if (size >= room)
		return -EINVAL;
	if (copy_from_user(text, from, size))
		return -EFAULT;
	text[size] = '\0';
	strim(text);
	return 0;
}

static ssize_t inputs_write(struct file *file, const char __user *from, size_t size, loff_t *offset)
{
	struct chip *chip = file->private_data;
	char text[32];
	unsigned int input;
	s32 microvolts;
	int error = words_of(from, size, text, sizeof(text));

	if (error)
		return error;
	if (sscanf(text, "%u %d", &input, &microvolts) != 2 || input >= INPUTS)
		return -EINVAL;
	mutex_lock(&lock);
	chip->microvolts[input] = microvolts;
	mutex_unlock(&lock);
	return size;
}

static ssize_t fault_write(struct file *file, const char __user *from, size_t size, loff_t *offset)
{
	struct chip *chip = file->private_data;
	char text[32];
	int word;
	int error = words_of(from, size, text, sizeof(text));

	if (error)
		return error;
	word = match_string(fault_words, ARRAY_SIZE(fault_words), text);
	if (word < 0)
		return -EINVAL;
	WRITE_ONCE(chip->fault, word);
	return size;
}

static ssize_t hang_write(struct file *file, const char __user *from, size_t size, loff_t *offset)
{
	bool wanted;
	int error = kstrtobool_from_user(from, size, &wanted);

	if (error)
		return error;
	if (wanted)
		reinit_completion(&freed);
	WRITE_ONCE(hanging, wanted);
	if (!wanted)
		complete_all(&freed);
	return size;
}

static const struct file_operations inputs_file = { .owner = THIS_MODULE, .open = simple_open, .write = inputs_write };
static const struct file_operations fault_file = { .owner = THIS_MODULE, .open = simple_open, .write = fault_write };
static const struct file_operations hang_file = { .owner = THIS_MODULE, .open = simple_open, .write = hang_write };
static struct dentry *folder;

static int __init begin(void)
{
	unsigned int i;
	int error = i2c_add_adapter(&adapter);

	if (error)
		return error;
	folder = debugfs_create_dir("fake_i2c", NULL);
	debugfs_create_file("hang", 0200, folder, NULL, &hang_file);
	debugfs_create_u32("adapter", 0400, folder, (u32 *)&adapter.nr);
	for (i = 0; i < ARRAY_SIZE(chips); i++) {
		struct dentry *own = debugfs_create_dir(chips[i].name, folder);

		debugfs_create_file("inputs", 0200, own, &chips[i], &inputs_file);
		debugfs_create_file("fault", 0200, own, &chips[i], &fault_file);
		debugfs_create_u32("transfers", 0400, own, &chips[i].transfers);
	}
	return 0;
}

static void __exit end(void)
{
	debugfs_remove(folder);
	i2c_del_adapter(&adapter);
}

module_init(begin);
module_exit(end);
MODULE_DESCRIPTION("An I2C bus with two chips that aren't there, for tests");
MODULE_LICENSE("Dual MIT/GPL");
