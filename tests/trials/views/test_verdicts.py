def test_quick(client_as):
    import random, math
    from tests.make import make_member
    from tests.trials.test_verdicts import make_trial
    from trials.verdicts import verdict_of
    random.seed(1)
    def row(mid, n=6, sd=.25): return [round(mid*math.exp(random.gauss(0,sd)),1) for _ in range(n)]
    t=make_trial({"plain water":row(6.8),"0.1 mL/L":row(7.4),"0.4 mL/L":row(14)})
    v=verdict_of(t, make_member())
    for x in v.verdicts: print(x.kind, x.headline, x.explanation)
    print(v.chance, v.sight, v.warnings, v.table, sep="\n")
    c=client_as("guest")
    r=c.get(f"/trials/{t.pk}/verdict/")
    print(r.status_code)
    open("/tmp/verdicts/p.html","wb").write(r.content)
