"""The script that checks plans, beside plans of the real daemon: of the command, and over the API."""

import copy
import json
import os
import subprocess
import sys
import tempfile
import unittest

from google.protobuf import json_format

import facetd
from facetd import _calls
from facetd._schema import new

from . import check_plan, rig


def demo():
    """The plan of the demo with its operations, as the command prints it."""
    binary = os.environ.get("FACETD_BINARY")
    if not binary:
        raise unittest.SkipTest("FACETD_BINARY is not set; go test ./clients/python sets it")
    out = subprocess.run([binary, "plan", "demo", "demo", "--operations", "--output", "json"], check=True, capture_output=True)
    return json.loads(out.stdout)


class CheckPlan(unittest.TestCase):
    @classmethod
    def setUpClass(cls):
        cls.plan = demo()

    def spoiled(self, change):
        """The rules that the plan breaks after a change of some operation."""
        plan = copy.deepcopy(self.plan)
        for segment in plan["operations"]["segments"]:
            for op in segment["operations"]:
                if change(op):
                    return {rule for rule, _, _ in check_plan.check(plan)}
        self.fail("nothing was changed")

    def test_the_demo_keeps_all_rules(self):
        self.assertEqual(check_plan.check(self.plan), [])

    def test_a_spoiled_plan_does_not(self):
        def claim(op):
            registers = op.get("readout", {}).get("registers", [])
            if registers:
                registers[0]["value"] ^= 1
            return bool(registers)

        def early(op):
            if "readout" in op:
                op["readout"]["first_sample_ns"] = op["start_ns"]
            return "readout" in op

        def wide(op):
            if op["target"]:
                op["target"].pop()
            return bool(op["target"])

        self.assertEqual(self.spoiled(claim), {6})
        self.assertEqual(self.spoiled(early), {4})
        self.assertIn(2, self.spoiled(wide))

    def test_the_script_ends_with_a_status(self):
        script = os.path.join(os.path.dirname(__file__), "check_plan.py")
        with tempfile.TemporaryDirectory() as folder:
            file = os.path.join(folder, "plan.json")
            for deadline, status, words in (("1000000000", 0, "keeps all rules"), ("1", 1, "breaks rules")):
                plan = copy.deepcopy(self.plan)
                plan["operations"]["segments"][-1]["deadline_ns"] = deadline
                with open(file, "w", encoding="utf-8") as f:
                    json.dump(plan, f)
                done = subprocess.run([sys.executable, script, file], capture_output=True, text=True, check=False)
                self.assertEqual(done.returncode, status, done.stdout + done.stderr)
                self.assertIn(words, done.stdout)

    def test_the_running_plan_over_the_api(self):
        with rig.Daemon() as daemon, facetd.connect(daemon.address) as client:
            call = _calls.Call("PlanService/GetPlan", new("GetPlanRequest", operations=True), lambda r: r.plan)
            next(iter(client.stream()))  # there is no plan until the array is initialized
            plan = json_format.MessageToDict(client._run(call, 20), preserving_proto_field_name=True)
            self.assertEqual(check_plan.check(plan), [])
            self.assertEqual(len(plan["operations"]["segments"]), len(plan["timetable"]["segments"]))
            call = _calls.Call("PlanService/GetPlan", new("GetPlanRequest"), lambda r: r.plan)
            self.assertFalse(client._run(call, 20).HasField("operations"))


if __name__ == "__main__":
    unittest.main()
