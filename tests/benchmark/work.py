from valuer.domain.machine import Machine
from valuer.domain.shop import ShopTerms
from valuer.domain.faults import fault_catalogue
from valuer.domain.gates import gate_catalogue
TERMS = ShopTerms(month=5, hour_value=14.0)
KINDS = {
 "plain": dict(drive="push", start="rope", engine_class="small_ohv", tier="budget", age_years=8.0, deck_width_in=20.0),
 "driven": dict(drive="front_variable", start="rope", engine_class="mid_ohv", tier="mid", age_years=6.0, deck_width_in=21.0),
 "better": dict(drive="rear_variable", start="electric", engine_class="large_ohv", tier="premium", age_years=4.0, deck_width_in=21.0),
}
from tests.benchmark.hidden import table
from pydantic import ValidationError
def one_symptom_machines():
    found=[]
    for name,row in table("symptoms")["symptoms"].items():
        fault=row["stands_for"][0]
        sev="serious" if "serious" in fault_catalogue()[fault].severities else "slight"
        for kind,known in KINDS.items():
            try: found.append(_machine(f"{name}.{kind}",known,f"{fault}:{sev}"))
            except ValidationError: pass
    return found
def _machine(id,known,fault):
    name=fault.split(":")[0]
    gates=gate_catalogue()
    checks={g:"passed" for g,row in gates.items() if row.by_check and name not in row.faults}
    readings={"engine_rpm":2900.0,"blade_stop_s":[2.0,2.0,2.0],"blade_length_in":known["deck_width_in"]}
    if not name.startswith("fuel_leak"): readings|={"fuel_paper_5min":"dry","fuel_paper_soak":"dry"}
    return Machine.model_validate({**known,"id":id,"faults":[fault],"checks":checks,"readings":readings,"looked_over":True,"deck_material":"steel","looks":"used","kept":"inside"})
