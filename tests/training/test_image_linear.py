"""The linear heads, against scikit-learn and their own definitions."""

from __future__ import annotations

import numpy as np
import pytest

from tests.later import Later

pytestmark = pytest.mark.train
torch = Later("torch")


def test_the_softmax_head_equals_scikit_learns_logistic_regression() -> None:
    from sklearn.linear_model import LogisticRegression

    from training.image.linear import fit_linear

    random = np.random.default_rng(0)
    inputs = random.normal(size=(200, 5))
    inputs = (inputs - inputs.mean(0)) / inputs.std(0, ddof=1)
    truth = random.integers(0, 3, 200)
    l2 = 0.05
    ours = fit_linear(
        torch.tensor(inputs), torch.eye(3, dtype=torch.float64)[truth], torch.ones(200), outputs=3, l2=l2, steps=500
    )
    theirs = LogisticRegression(C=1 / (l2 * 200), tol=1e-8, max_iter=1000).fit(inputs, truth)
    expected = theirs.predict_proba(inputs)
    assert np.allclose(ours(torch.tensor(inputs)).softmax(-1).numpy(), expected, atol=1e-3)


def test_a_column_that_never_varies_gets_no_weight() -> None:
    from training.image.linear import fit_linear

    inputs = torch.randn(50, 3, dtype=torch.float64)
    inputs[:, 1] = 7.0 + 1e-7 * torch.randn(50, dtype=torch.float64)
    target = torch.eye(2, dtype=torch.float64)[(inputs[:, 0] > 0).long()]
    assert (fit_linear(inputs, target, torch.ones(50), outputs=2, l2=0.01).weight[:, 1] == 0).all()


def test_the_ordinal_head_always_gives_a_distribution() -> None:
    from training.image.linear import ordinal_log_probabilities

    log_p = ordinal_log_probabilities(torch.randn(100, 3) * 5)
    assert torch.allclose(log_p.exp().sum(-1), torch.ones(100), atol=1e-5)


def test_extreme_continuation_scores_stay_finite_in_an_export(tmp_path) -> None:
    import onnxruntime

    from training.image.linear import ordinal_log_probabilities

    class Ordinal(torch.nn.Module):
        def forward(self, scores: torch.Tensor) -> torch.Tensor:
            return ordinal_log_probabilities(scores)

    scores = torch.tensor([[150.0, -150.0, 0.0]])
    torch.onnx.export(Ordinal(), (scores,), str(tmp_path / "band.onnx"), opset_version=17, dynamo=False)
    session = onnxruntime.InferenceSession(str(tmp_path / "band.onnx"))
    (read,) = session.run(None, {session.get_inputs()[0].name: scores.numpy()})
    assert np.isfinite(read).all()
    assert np.allclose(read, ordinal_log_probabilities(scores).numpy(), atol=1e-4)


def test_a_high_continuation_score_means_longer_hair() -> None:
    from training.image.linear import ordinal_log_probabilities

    assert ordinal_log_probabilities(torch.tensor([[9.0, 9.0, 9.0]])).argmax() == 3
    assert ordinal_log_probabilities(torch.tensor([[-9.0, 0.0, 0.0]])).argmax() == 0
