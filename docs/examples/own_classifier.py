"""
A classifier of one's own
=========================

A scikit-learn pipeline learns from a coach's answers, is scored by golfer, and takes the model's place.

Golfers, not swings, are held out: swings of one golfer are alike, and a split by swing would flatter any method.
"""

# %%
# A synthetic coach answers for every swing. With recordings of your own the answers come from
# ``faultml.labels.verdicts`` and the season from ``faultml.open_season``.
import numpy as np
from sklearn.linear_model import LogisticRegression
from sklearn.metrics import log_loss
from sklearn.model_selection import GroupKFold
from sklearn.multioutput import MultiOutputClassifier
from sklearn.pipeline import make_pipeline
from sklearn.preprocessing import StandardScaler

import faultml
from faultml.classifier.own_probabilities import OwnProbabilities
from faultml.synthetic.coach import Coach
from faultml.synthetic.recipe import Recipe
from faultml.synthetic.season import draw_season

catalogue, bundle = faultml.load_catalogue(), faultml.load_bundle()
drawn = draw_season(catalogue, Recipe(golfers=20, sessions=2, swings=6, seed=5))
asked = ["flexed_takeaway", "flexed_top", "cupped_top", "flip"]
columns = [catalogue.ids.index(fault) for fault in asked]

measures = drawn.truth[[f"measure_{fault}" for fault in catalogue.ids]].to_numpy(float)
guards = drawn.truth[[name for name in drawn.truth if name.startswith("guard_")]].to_numpy(float)
answers = Coach.careful(catalogue).label(catalogue, measures, guards, np.random.default_rng(1))[:, columns]

# %%
# The default assessor computes the features. Rows without an answer are left out.
assessed = faultml.Assessor(bundle, catalogue).assess(drawn.batch)
rows = np.flatnonzero(assessed.assessed & np.isfinite(answers).all(axis=1))
golfers = assessed.batch.table["player"].to_numpy(object)[rows]
X, y = assessed.features.values[rows], answers[rows].astype(int)

# %%
# Both are scored on golfers whom the pipeline has not seen. The default model was trained on other golfers
# altogether, and on far more of them: it wins here.
pipeline = make_pipeline(StandardScaler(), MultiOutputClassifier(LogisticRegression(C=0.01, max_iter=2000)))
own, usual = np.empty(y.shape), bundle.classifier.predict_proba(X)[:, columns]
for train, test in GroupKFold(4).split(X, y, golfers):
    fitted = pipeline.fit(X[train], y[train])
    own[test] = np.column_stack([each[:, 1] for each in fitted.predict_proba(X[test])])
for column, fault in enumerate(asked):
    scores = [log_loss(y[:, column], chance[:, column], labels=[0, 1]) for chance in (own, usual)]
    print(f"{fault}: log loss of one's own {scores[0]:.3f}, of the default {scores[1]:.3f}")


# %%
# To use it, give an object with ``predict_proba`` in the catalogue's order. Faults without labels are not learned,
# no call is made of them, and nothing is promised of flags that come from a step of one's own.
class Widened:
    """The pipeline's probabilities in the catalogue's order."""

    def __init__(self, fitted):
        self.fitted = fitted

    def predict_proba(self, rows):
        """``(n_swings, n_faults)``; 0 for faults without labels."""
        chance = np.zeros((len(rows), len(catalogue.ids)))
        chance[:, columns] = np.column_stack([each[:, 1] for each in self.fitted.predict_proba(rows)])
        return chance


learned = np.isin(catalogue.ids, asked)
classifier = OwnProbabilities(Widened(pipeline.fit(X, y)), bundle.classifier, learned)
assessor = faultml.Assessor(bundle, catalogue, classifier=classifier)
known = faultml.assess_swings(drawn.batch, assessor=assessor)
print(known.faults.groupby("status")["fault"].nunique())
