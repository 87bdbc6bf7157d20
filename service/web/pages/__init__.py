"""Pages for people: the board, one case, the forms, the physician's view. Made on the server; they work without script."""

from fastapi import APIRouter

from service.web.pages import assets, board, case, forms, physician, sign_in

router = APIRouter()
for _part in (assets, board, physician, case, forms, sign_in):
    router.include_router(_part.router)
