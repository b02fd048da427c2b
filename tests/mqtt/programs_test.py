"""What the two programs are made of: the guard has neither TLS nor MQTT nor a resolver of its own in it."""
import os
import subprocess
import unittest

DEKEYD = os.environ["DEKEYD"]
NETWORK = ("ssl", "crypto", "paho", "mqtt", "curl", "gnutls")


class Programs(unittest.TestCase):
    def libraries(self, program):
        text = subprocess.run(["ldd", program], capture_output=True, text=True, check=True).stdout
        return [line.split()[0] for line in text.splitlines() if line.strip()]

    def test_the_guard_links_no_network(self):
        for program in (DEKEYD, DEKEYD + "-inhibit"):
            found = [name for name in self.libraries(program) if any(word in name for word in NETWORK)]
            print(f"{os.path.basename(program)}: {len(self.libraries(program))} libraries, of the network: {found or 'none'}", flush=True)
            self.assertEqual(found, [])

    def test_the_guard_calls_nothing_of_the_network(self):
        """connect() is its way to the service manager; what needs a name or a port would be one of these."""
        symbols = subprocess.run(["nm", "-D", "--undefined-only", DEKEYD], capture_output=True, text=True, check=True).stdout
        calls = {line.split()[-1].split("@")[0] for line in symbols.splitlines()}
        self.assertEqual(calls & {"getaddrinfo", "gethostbyname", "getnameinfo", "res_query"}, set())

    def test_the_telemetry_does(self):
        self.assertTrue(any("paho" in name for name in self.libraries(DEKEYD + "-telemetry")), "so the look above finds what it looks for")


if __name__ == "__main__":
    unittest.main(verbosity=2)
